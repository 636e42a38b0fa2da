"""What a millimetre does to the knee: the table, and the picture drawn from it."""

from __future__ import annotations

import re
import subprocess
import sys
from xml.etree import ElementTree

import numpy as np
import pytest

from knee_angle.machine.sliding import Sensitivity, fit_part_deg, sensitivity
from knee_angle.report.sensitivity import sensitivity_svg

RESULT = sensitivity(low_deg=0, high_deg=110, support_mm=250, distal_mm=20)
SVG = "{http://www.w3.org/2000/svg}"


def drawn(result: Sensitivity) -> ElementTree.Element:
    # Our own text, not a stranger's.
    return ElementTree.fromstring(  # noqa: S314
        sensitivity_svg(result, support_mm=250, place=(20, 0))
    )


def lines(result: Sensitivity) -> list[np.ndarray]:
    """Points (n, 2) of the three lines, px."""
    return [
        np.array([pair.split(",") for pair in line.get("points").split()], dtype=float)
        for line in drawn(result).iter(f"{SVG}polyline")
    ]


def test_the_picture_shows_the_results_own_numbers():
    """A px per value, the same for all three lines, from the printed ticks."""
    texts = {t.text: float(t.get("y")) for t in drawn(RESULT).iter(f"{SVG}text")}
    zero, tenth = texts["0"] - 4, texts["0.1"] - 4
    values = (RESULT.per_distal_deg_mm, RESULT.per_anterior_deg_mm, RESULT.per_support_deg_mm)
    for points, wanted in zip(lines(RESULT), values, strict=True):
        shown = (zero - points[:, 1]) / (zero - tenth) * 0.1
        assert shown == pytest.approx(wanted, abs=0.001)
        assert np.all(np.diff(points[:, 0]) > 0)


def test_the_numbers_are_those_of_the_published_table():
    """A distal hinge, L = 250 mm: about 0.23 degrees per mm at 90 (computed by the project)."""
    at_90 = int(np.argmin(np.abs(RESULT.frame_deg - 90)))
    assert RESULT.per_distal_deg_mm[at_90] == pytest.approx(0.23, abs=0.005)
    step = [
        fit_part_deg(RESULT.frame_deg[at_90], distal_mm=d, anterior_mm=0, support_mm=250)
        for d in (19.5, 20.5)
    ]
    assert RESULT.per_distal_deg_mm[at_90] == pytest.approx(float(step[1] - step[0]), abs=1e-5)


@pytest.mark.parametrize(
    "result",
    [
        pytest.param(RESULT, id="the usual range"),
        pytest.param(sensitivity(low_deg=-10, high_deg=20, support_mm=250), id="near extension"),
        pytest.param(
            sensitivity(low_deg=60, high_deg=120, support_mm=400, distal_mm=-60, anterior_mm=50),
            id="a hinge far off",
        ),
    ],
)
def test_everything_lies_inside_the_picture_and_names_stand_apart(result):
    picture = drawn(result)
    wide, high = (float(picture.get(k)) for k in ("width", "height"))
    for points in lines(result):
        assert np.all((points > 0) & (points < [wide, high]))
    names = [t for t in picture.iter(f"{SVG}text") if t.get("font-weight") == "700"][1:]
    heights = sorted(float(t.get("y")) for t in names)
    assert len(names) == 3
    assert np.all(np.diff(heights) >= 30)


def test_the_picture_stands_alone_and_never_by_colour_only():
    text = sensitivity_svg(RESULT, support_mm=250, place=(20, 0))
    assert "href" not in text
    assert "url(" not in text
    dashes = re.findall(r"<polyline[^>]*?(?:stroke-dasharray='([^']*)')?/>", text)
    assert len(set(dashes)) == 3
    assert "adjust only with the machine stopped" in text


def run(*args: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "knee_angle", "sensitivity", *map(str, args)],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip


def test_the_command_prints_the_table_and_writes_the_picture(tmp_path):
    out = tmp_path / "mm.svg"
    done = run(out, "--support-mm", 250, "--high", 90)
    assert done.returncode == 0
    assert re.search(r"90°\s+\+4\.6°\s+\+0\.230", done.stdout)
    assert out.read_text().startswith("<svg")


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--low", 50, "--high", 50), "low_deg must be below high_deg"),
        (("--distal-mm", 400), "must be shorter than support_mm"),
        (("--support-mm", 25), "--support-mm must be between 50 and 600 mm"),
    ],
)
def test_what_cannot_be_is_one_line(options, message):
    done = run(*options)
    assert done.returncode == 2
    assert message in done.stderr
    assert len(done.stderr.splitlines()) == 1
