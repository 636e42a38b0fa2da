"""Several processes that train one network: what one with all their pictures would do."""

from __future__ import annotations

import sys
from pathlib import Path
from types import ModuleType

import pytest

torch = pytest.importorskip("torch")

from knee_angle.training.ranks import Ranks, run_ranks  # noqa: E402

STEPS = 5


def network(seed: int) -> torch.nn.Sequential:
    torch.manual_seed(seed)
    layers = torch.nn.Sequential(
        torch.nn.Conv2d(3, 2, 3), torch.nn.Flatten(), torch.nn.Linear(2, 1)
    )
    return layers.to(memory_format=torch.channels_last)


def windows() -> torch.Tensor:
    return torch.linspace(-1, 1, 8 * 27).view(8, 3, 3, 3) ** 2


def trained(ranks: Ranks, folder: Path) -> None:
    """A few steps with this one's share; each began otherwise and has another clock."""
    own = network(seed=ranks.index)
    ranks.begin_alike(own)
    optimiser = torch.optim.AdamW(own.parameters(), lr=0.1)
    share = windows()[ranks.index :: ranks.count]
    for _ in range(STEPS):
        optimiser.zero_grad()
        (own(share) - 1).square().mean().backward()
        ranks.share_gradients(own)
        optimiser.step()
    told = ranks.agreed(0.25 + ranks.index, device="cpu")
    torch.save((own.state_dict(), told), folder / f"{ranks.count}_{ranks.index}.pt")


def test_two_that_share_the_pictures_learn_what_one_learns_from_all(tmp_path, monkeypatch):
    # A new process begins with what is main here: after tests of the page that is the page.
    monkeypatch.setitem(sys.modules, "__main__", ModuleType("__main__"))
    run_ranks(1, trained, tmp_path, device="cpu")
    run_ranks(2, trained, tmp_path, device="cpu")
    alone, first, second = (torch.load(tmp_path / f"{name}.pt") for name in ("1_0", "2_0", "2_1"))
    for name, value in alone[0].items():
        torch.testing.assert_close(first[0][name], value)
        assert torch.equal(second[0][name], first[0][name]), name
    assert (alone[1], first[1], second[1]) == (0.25, 0.25, 0.25)


def test_several_gpus_do_not_render_while_they_train(tmp_path):
    pytest.importorskip("moderngl")
    pytest.importorskip("efficientnet_lite_pytorch")
    from knee_angle.training.stream import Source
    from knee_angle.training.train import Plan, train

    source = Source(tmp_path / "bank.npz")
    with pytest.raises(SystemExit, match="--shelf FOLDER"):
        train(Plan(seconds=1, gpus=2), source=source, out=tmp_path, pretrained=None, init=None)
