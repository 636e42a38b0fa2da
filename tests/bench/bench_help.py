"""How long the help takes beside what it needs: ``python tests/bench/bench_help.py``."""

from __future__ import annotations

import subprocess
import sys
import time

RUNS = 9
COMMANDS = {
    "import typer, rich": ["-c", "import typer, rich"],
    "import knee_angle": ["-c", "import knee_angle"],
    "knee-angle --help": ["-m", "knee_angle", "--help"],
    "knee-angle measure --help": ["-m", "knee_angle", "measure", "--help"],
}


def seconds(command: list[str]) -> float:
    """Wall time of one fresh Python."""
    begun = time.perf_counter()
    subprocess.run([sys.executable, *command], stdout=subprocess.DEVNULL, check=True)
    return time.perf_counter() - begun


def main() -> None:
    """The shortest of several runs each, in turn: other work on the machine only adds."""
    best = dict.fromkeys(COMMANDS, float("inf"))
    for _ in range(RUNS):
        for name, command in COMMANDS.items():
            best[name] = min(best[name], seconds(command))
    base = best["import typer, rich"]
    for name, taken in best.items():
        print(f"{name:<28}{taken:7.3f} s {taken / base:6.2f} times")


if __name__ == "__main__":
    main()
