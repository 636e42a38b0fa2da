"""A visit's draft under SIGKILL; `bench/bench_kills.py` kills a page in a browser."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import time
from pathlib import Path

from serving import ROOT

from knee_angle.page.drafts import DraftsFolder, new_token

WRITER = """
import itertools, sys
from pathlib import Path
from knee_angle.page.drafts import DraftsFolder
folder, token, first = DraftsFolder(Path(sys.argv[1])), sys.argv[2], int(sys.argv[3])
for n in itertools.count(first):
    with folder.alone(token):
        draft = folder.find(token)
        sha256 = folder.put_photo(token, b"photo %d" % n)
        state = {**draft.state, "photos": {**draft.state["photos"], sha256: n}, "last": n}
        folder.change(draft, state)
    print(n, sha256, flush=True)
"""


def test_nothing_acknowledged_is_lost_however_often_the_server_is_killed(tmp_path):
    rng, folder, token = random.Random(7), DraftsFolder(tmp_path / "drafts"), new_token()  # noqa: S311
    folder.begin(token, {"photos": {}, "last": -1})
    acknowledged: dict[str, str] = {}
    for _ in range(3):
        draft = folder.find(token)
        assert draft is not None  # no torn file, whenever the kill came
        answered = written(folder.path, token, draft.state["last"] + 1, rng.uniform(0.0, 0.05))
        assert answered  # it got on after the kill before
        acknowledged |= answered
    draft = folder.find(token)
    for number, sha256 in acknowledged.items():
        assert draft.state["photos"][sha256] == int(number)
        assert folder.photo(token, sha256) == f"photo {number}".encode()
    assert {one.stat().st_mode & 0o777 for one in (folder.path / token).iterdir()} == {0o600}


def written(folder: Path, token: str, first: int, after_s: float) -> dict[str, str]:
    """What a server told that it had written, until it was killed so long after its first word."""
    command = [sys.executable, "-c", WRITER, str(folder), token, str(first)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT) as server:
        told = server.stdout.readline()
        time.sleep(after_s)
        server.send_signal(signal.SIGKILL)
        told += server.stdout.read()
    lines = [line.split() for line in told.splitlines(keepends=True) if line.endswith("\n")]
    return dict(lines)
