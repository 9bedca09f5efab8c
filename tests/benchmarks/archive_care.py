"""What an archive loses, and what it shows, when it is killed, cut off or damaged.

    python -m tests.benchmarks.archive_care [--kills 300] [--cuts 100] [--harms 300]

Every command that writes is stopped in turn, ``repair`` and ``migrate`` too. The
numbers of `DEVELOPERS.md` come from here; `tests/crash/test_care.py` is a
small version of its last part.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections import Counter
from pathlib import Path

from tests.crash.care import base_archive, corruptions, kills, power_cuts
from tests.crash.victims import Victims


def show(what: str, found: Counter[str], began: float) -> None:
    """Print one campaign's counts."""
    print(f"{what} ({time.monotonic() - began:.0f} s)")
    for name, number in sorted(found.items()):
        if number or name in ("lost", "wrong shown", "damaged"):
            print(f"  {name}: {number}")


def main() -> None:
    """Run the three campaigns and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=300)
    parser.add_argument("--cuts", type=int, default=100)
    parser.add_argument("--harms", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        base = base_archive(folder)
        for what, campaign, count in (
            ("kills", kills, args.kills),
            ("power cuts", power_cuts, args.cuts),
        ):
            if count:
                began = time.monotonic()
                with Victims() as victims:
                    show(what, campaign(victims, base, folder, count, args.seed), began)
        if args.harms:
            began = time.monotonic()
            show("corruptions", corruptions(base, folder, args.harms, args.seed), began)


if __name__ == "__main__":
    main()
