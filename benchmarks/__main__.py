"""Run every benchmark of this folder and print its ratios."""

from __future__ import annotations

import sys
from importlib import import_module
from pathlib import Path


def main() -> int:
    """Print one line a measurement; the exit code counts the bars that were missed."""
    missed = 0
    names = sys.argv[1:] or sorted(path.stem for path in Path(__file__).parent.glob("[a-z]*.py"))
    for name in names:
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
