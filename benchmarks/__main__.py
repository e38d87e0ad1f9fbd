"""Run every benchmark of this folder and print its ratios."""

from __future__ import annotations

import os
import subprocess
import sys
from importlib import import_module
from pathlib import Path


def main() -> int:
    """Run each benchmark in a process of its own; the exit code counts the bars missed."""
    here = Path(__file__).parent
    names = sys.argv[1:] or sorted(path.stem for path in here.glob("[a-z]*.py"))
    if len(names) == 1:
        return measure(names[0])
    # a site's settings can be told only once in a process
    command = [sys.executable, "-m", "benchmarks"]
    return sum(subprocess.run([*command, name], check=False).returncode for name in names)


def measure(name: str) -> int:
    """Print one line a measurement and return how many bars were missed."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line has it
    missed = 0
    for row in import_module(f"benchmarks.{name}").run():
        missed += not row["met"]
        print(
            f"{'met   ' if row['met'] else 'MISSED'} {row['name']}: "
            f"ours {row['ours_s']:.4f} s, peer {row['peer_s']:.4f} s, "
            f"ratio {row['ratio']:.3g}; bar: {row['bar']}",
            flush=True,
        )
    return missed


if __name__ == "__main__":
    sys.exit(main())
