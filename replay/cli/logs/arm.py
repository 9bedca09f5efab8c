"""Look at an arm file: what is doubtful in it, how it stands, what its gaps switch off.

With --session its loads are held against the motor currents of a session, so that
a wrong sign or frame is seen before it makes false flags.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import numpy as np

from replay.arm import Arm, has_masses, load_arm, switched_off
from replay.arm.drawing import as_svg, as_text, skeleton
from replay.arm.plausibility import doubts
from replay.cli.main import EXIT_DONE, EXIT_SET_ASIDE
from replay.cli.output import print_json, say
from replay.errors import UsageError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this verb's arguments."""
    parser.add_argument("file", metavar="FILE", help="an arm file")
    parser.add_argument("--svg", metavar="OUT", help="draw it from both base ends into this file")
    parser.add_argument(
        "--angles", metavar="DEG", help="posture to draw, joints from end A: 0,-90,90,0,0,0"
    )
    parser.add_argument("--session", metavar="SESSION", help="compare loads with its currents")


def run(args: argparse.Namespace) -> int:
    """Run the verb."""
    if not Path(args.file).is_file():
        raise UsageError("no such file", file=args.file)
    arm = load_arm(Path(args.file))
    angles = _angles(args.angles, arm)
    found, off = doubts(arm), switched_off(arm)
    compared: list[dict[str, Any]] = []
    if args.session:
        compared = _compared(arm, args)
    if args.svg:
        Path(args.svg).write_text(as_svg(arm, angles), encoding="utf-8")
        say(f"wrote {args.svg}")
    wrong = [c for c in compared if c["finding"]]
    if args.json:
        print_json(
            {"arm": arm.name, "joints": arm.joint_names, "doubts": found, "switched_off": off,
             "compared": compared}
        )  # fmt: skip
        return EXIT_SET_ASIDE if found or wrong else EXIT_DONE
    print(f"{arm.name}: {len(arm.joints)} joints, {', '.join(arm.joint_names)}")
    if arm.tip_from_last is not None:
        for base in ("A", "B"):
            print(as_text(skeleton(arm, base, angles)))
    for line in off:
        print(f"off: {line}")
    for c in compared:
        print(f"{c['joint']}: {c['text']}")
    for line in found:
        print(f"doubtful: {line}")
    return EXIT_SET_ASIDE if found or wrong else EXIT_DONE


def _angles(text: str | None, arm: Arm) -> Any:
    if text is None:
        return None
    try:
        values = np.array([float(v) for v in text.split(",")])
    except ValueError:
        raise UsageError(f"--angles {text!r} is no list of numbers") from None
    if len(values) != len(arm.joints):
        raise UsageError(f"--angles has {len(values)} values, the arm has {len(arm.joints)} joints")
    return values


def _compared(arm: Arm, args: argparse.Namespace) -> list[dict[str, Any]]:
    """Return for each joint how its current follows the load that this arm file gives it."""
    from replay.archive import open_archive
    from replay.signals.load_check import compare_loads

    if not has_masses(arm):
        raise UsageError("the arm file has no masses: there are no loads to compare")
    archive = open_archive(args.archive)
    found = compare_loads(archive, args.session, arm)
    return [
        {"joint": c.joint, "r": c.r, "slope": c.slope, "samples": c.samples,
         "finding": c.finding, "text": c.text}
        for c in found
    ]  # fmt: skip
