"""CPU time of `stripwise run` over that of its libraries: `python tests/benchmark/command.py`.

Prints one line. Both are processes of their own, measured in turn, and the least of the rounds
counts, since a busy machine only ever adds. Every module is compiled beforehand, as an installed
one is. Wanted ratio: the project's own aim.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

__all__: list[str] = []

ROOT = Path(__file__).resolve().parent.parent.parent
LIBRARIES = "import numpy, scipy.stats, pandas, matplotlib"
WANTED = 2.5


def cpu_seconds(arguments: list[str], *, compiled: str) -> float:
    """Return the CPU time of a Python process, user and system [s]."""
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "PYTHONPYCACHEPREFIX": compiled}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(
        [sys.executable, *arguments],
        check=True,
        stdout=subprocess.DEVNULL,
        env=environment,
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    """Measure and print the ratio."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=5, help="rounds of which the least counts")
    rounds = parser.parse_args().rounds
    scenario = str(ROOT / "scenarios" / "garage-wall.toml")
    libraries, ours = [], []
    with tempfile.TemporaryDirectory() as out, tempfile.TemporaryDirectory() as compiled:
        for _ in range(1 + rounds):
            libraries.append(cpu_seconds(["-c", LIBRARIES], compiled=compiled))
            run = ["-m", "stripwise", "run", scenario, "--out", out]
            ours.append(cpu_seconds(run, compiled=compiled))
    ratio = min(ours) / min(libraries)
    print(
        f"run {min(ours):.2f} s, libraries {min(libraries):.2f} s of CPU: {ratio:.2f} x, "
        f"wanted at most {WANTED:g} x"
    )


if __name__ == "__main__":
    main()
