"""What a start costs, and what an installation takes on the disk.

    python tests/bench/bench_start.py [PHOTO]

Processor seconds (the least of three runs) of `--help` and of one photo's answer, beside the bare
interpreter and beside one that imports what no answer can do without: arrays, pictures, tags, the
network's runtime, the solver of the camera's plane. Then the megabytes of this package and of all
that it needs without extras, by package, as their own lists of files name them.
"""

from __future__ import annotations

import re
import resource
import subprocess
import sys
from importlib import metadata
from pathlib import Path

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
NEEDED = "import numpy, cv2, onnxruntime, PIL.Image, scipy.optimize, scipy.special"


def cpu_s(*command: str) -> float:
    """Processor seconds of a command, the least of three runs."""
    took = []
    for _ in range(3):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([sys.executable, *command], capture_output=True, check=False)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        took.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return min(took)


def needed_by(name: str) -> set[str]:
    """A package and all that it needs here without extras."""
    found: set[str] = set()
    waiting = [name]
    while waiting:
        one = re.sub(r"[-_.]+", "-", waiting.pop()).lower()
        if one in found:
            continue
        try:
            needs = metadata.requires(one) or []
        except metadata.PackageNotFoundError:  # of another system or Python
            continue
        found.add(one)
        waiting += [re.split(r"[^\w.-]", need)[0] for need in needs if "extra ==" not in need]
    return found


def megabytes(name: str) -> float:
    """What a package's files take."""
    files = metadata.files(name) or []
    places = (Path(str(file.locate())) for file in files)
    return sum(place.stat().st_size for place in places if place.is_file()) / 1e6


def main() -> None:
    """Print both tables."""
    photo = sys.argv[1] if len(sys.argv) > 1 else str(SAMPLES / "bed_01.jpg")
    bare, needed = cpu_s("-c", "pass"), cpu_s("-c", NEEDED)
    shown = cpu_s("-m", "knee_angle", "--help")
    answer = cpu_s("-m", "knee_angle", "measure", photo)
    print(f"interpreter {bare:.2f} s, with unavoidable imports {needed:.2f} s")
    print(f"--help {shown:.2f} s: {shown - bare:.2f} s more than the interpreter")
    print(f"first answer {answer:.2f} s: {answer - needed:.2f} s more than these imports")
    sizes = {name: megabytes(name) for name in needed_by("knee-angle")}
    print(f"{sum(sizes.values()):.0f} MB in {len(sizes)} packages without extras, largest:")
    for name, size in sorted(sizes.items(), key=lambda one: -one[1])[:14]:
        print(f"  {name:28}{size:6.0f}")


if __name__ == "__main__":
    main()
