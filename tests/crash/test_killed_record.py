"""Killed while people decide: whatever was acknowledged is on record, and the chain holds.

The first kills fall while the record is begun and the archive's tables are
moved into it. A dozen kills by default; JOINTBOOK_KILLS=200 for the long run.
"""

from __future__ import annotations

import os
import random
from pathlib import Path

import polars as pl

from replay.archive import open_archive
from replay.record import open_record
from replay.record.proof import prove
from replay.reviews import verdict_history
from tests.crash.victims import Victims
from tests.record.test_move import REVIEWS
from tests.reviews.makers import make_archive

KILLS = int(os.environ.get("JOINTBOOK_KILLS", "12"))


def acknowledged(said: Path) -> dict[int, int]:
    lines = said.read_text().splitlines() if said.exists() else []
    return {int(seq): int(n) for seq, n in (line.split() for line in lines if " " in line)}


def test_nothing_acknowledged_is_lost_and_nothing_is_half_there(tmp_path: Path) -> None:
    root, said = tmp_path / "archive", tmp_path / "said"
    make_archive(root).append("reviews", pl.DataFrame(REVIEWS))
    dice = random.Random(17)
    with Victims() as victims:
        for kill in range(KILLS):
            after_s = dice.uniform(0.0, 0.8 if kill % 2 else 2.5)
            victims.run(
                what="decide", root=str(root), said=str(said), first=1000 * kill, after_s=after_s
            )
            archive = open_archive(root)
            proof = prove(archive)
            assert proof.damages == (), f"kill {kill} after {after_s:.3f} s"
            there = {e.seq: (e.after or {})["n"] for e in open_record(archive).entries("pin")}
            lost = set(acknowledged(said).items()) - set(there.items())
            assert lost == set(), f"kill {kill} after {after_s:.3f} s"
            assert verdict_history(archive, "s1").height == len(REVIEWS)
    assert len(acknowledged(said)) > KILLS  # else nothing was tried
    record = open_record(open_archive(root))
    record.begin()
    assert prove(open_archive(root)).notes == ()  # the next entry made the copy good again
