"""How well faults are found on arms that nobody tuned on: one line per condition.

``python -m tests.plants.NAME OUT`` writes a plant's logs, map, arm files and truth;
``python -m tests.benchmarks.plants OUT [--names] [--train N] [--dirty SHARE]`` ingests
them into OUT/archive, learns from N training sessions and checks the others. Printed:
found by size, right joint (of the lead flag), right kind, false flags per 100
joint-hours of clean sessions. ``--names`` uses the arm file that has joints' names
only; ``--dirty`` puts that share of faulty sessions into training.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from replay.archive import Archive, open_archive
from replay.checks import promise
from replay.checks.check import judge
from replay.checks.learning import learn_from
from replay.checks.reading import Reading, read
from replay.checks.stored import CheckResult
from replay.cleaning import ingest
from replay.logs import load_map
from replay.models.grid.condensing import choose_filter
from replay.records import Flag

SLACK = timedelta(seconds=1)
SIZES = ("large", "middling", "small")
Truth = Mapping[str, Mapping[str, Any]]


@dataclass
class Score:
    """What came of one set of sessions."""

    found: Counter[str] = field(default_factory=Counter)
    of: Counter[str] = field(default_factory=Counter)
    right_joint: int = 0
    right_kind: int = 0
    false_clean: int = 0
    clean_hours: float = 0.0
    false_beside: int = 0
    lines: list[str] = field(default_factory=list)

    def print(self, what: str) -> None:
        """Print one line, and the misses on stderr."""
        total = sum(self.found.values())
        by = ", ".join(f"{s} {self.found[s]}/{self.of[s]}" for s in SIZES if self.of[s])
        rate = 100 * self.false_clean / max(self.clean_hours, 1e-9)
        print(
            f"{what}: found {total}/{sum(self.of.values())} ({by}); right joint "
            f"{self.right_joint}/{total}, right kind {self.right_kind}/{total}; false {rate:.1f} "
            f"per 100 joint-h ({self.false_clean} in {self.clean_hours:.0f} h of clean sessions; "
            f"{self.false_beside} beside faults)"
        )
        print("\n".join(self.lines), file=sys.stderr)


def ingested(out: Path, names_only: bool) -> tuple[Archive, Truth]:
    """Return the plant's archive, filled at the first call, and the truth by session."""
    folder = out / ("archive-names" if names_only else "archive")
    fresh = not folder.exists()
    archive = open_archive(folder, create=True)
    if fresh:
        arm = out / ("names-only.toml" if names_only else "arm.toml")
        ingest(archive, [out / "logs"], log_map=load_map(out / "map.toml"), arm=arm)
    listed = json.loads((out / "truth.json").read_text())["sessions"]
    by_file = {Path(str(t["file"])).name: t for t in listed}
    sessions = archive.sessions()["session"].to_list()
    return archive, {n: by_file[Path(archive.session(n).source).name] for n in sessions}


def score(results: Iterable[CheckResult], truth: Truth) -> Score:
    """Lay the lead flags beside what was put in."""
    made = Score()
    for result in results:
        entry = truth[result.session]
        leads = [f for f in result.flags if f.evidence.get("lead", True)]
        faults = entry["faults"]
        if not faults:
            made.false_clean += len(leads)
            made.clean_hours += result.joint_hours
            made.lines += [f"  false {f.kind} {f.score:.1f} {f.summary}" for f in leads]
            continue
        used: set[str] = set()
        for fault in faults:
            made.of[fault["size"]] += 1
            over = [f for f in leads if _overlaps(f, fault)]
            mine = [f for f in over if f.joint in {fault["joint"], ""}] or over
            used |= {f.flag for f in over if f.joint in {fault["joint"], ""}}
            what = f"{fault['cause']} {fault['size']} {fault['joint']}"
            if not over:
                made.lines.append(f"  missed {what} ({len(leads)} elsewhere) {result.session}")
                continue
            best = max(mine, key=lambda f: (f.kind == fault["kind"] and f.score > 5, f.score))
            best = max(mine, key=lambda f: f.score) if best.kind != fault["kind"] else best
            made.found[fault["size"]] += 1
            used.add(best.flag)
            joint, kind = best.joint in {fault["joint"], ""}, best.kind == fault["kind"]
            made.right_joint += joint
            made.right_kind += kind
            if not (joint and kind):
                made.lines.append(f"  found {what} as {best.kind} {best.score:.1f}: {best.summary}")
        beside = [f for f in leads if f.flag not in used]
        made.false_beside += len(beside)
        what = " ".join(f"{f['cause']} {f['size']} {f['joint']}" for f in faults)
        made.lines += [f"  beside {what}: {f.kind} {f.score:.1f} {f.summary}" for f in beside]
    return made


def _overlaps(flag: Flag, fault: Mapping[str, Any]) -> bool:
    start, end = (datetime.fromisoformat(fault[k]) for k in ("start", "end"))
    return flag.start <= end + SLACK and flag.end >= start - SLACK


def campaign(
    readings: Mapping[str, Reading],
    truth: Truth,
    training: int,
    dirty: float = 0.0,
    asked: float = 1.0,
    filter_s: float = 0.25,
) -> Score:
    """Learn from some training sessions and judge all clean and faulty ones."""
    names = sorted(readings)
    teach = [n for n in names if truth[n]["role"] == "training"][:training]
    spoilt = [n for n in names if truth[n]["role"] == "fault"][: round(dirty * len(teach))]
    teach = teach[len(spoilt) :] + spoilt
    baseline = learn_from([readings[n] for n in teach], asked, filter_s)
    print(promise.sentence(baseline), file=sys.stderr)
    judged = [n for n in names if truth[n]["role"] != "training" and n not in spoilt]
    return score((judge(readings[n], baseline) for n in judged), truth)


def read_all(archive: Archive, sessions: Sequence[str], filter_s: float) -> dict[str, Reading]:
    """Read sessions one after the other."""
    return {name: read(archive, name, filter_s) for name in sessions}


def main(words: Sequence[str] | None = None, reader: Callable[..., Any] = read_all) -> None:
    """Run one condition."""
    ask = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    ask.add_argument("out", type=Path)
    ask.add_argument("--names", action="store_true", help="joints' names only")
    ask.add_argument("--train", type=int, default=12)
    ask.add_argument("--dirty", type=float, default=0.0)
    ask.add_argument("--asked", type=float, default=1.0)
    options = ask.parse_args(words)
    archive, truth = ingested(options.out, options.names)
    teach = [n for n in sorted(truth) if truth[n]["role"] == "training"][: options.train]
    filter_s = choose_filter(archive, teach)
    readings = reader(archive, sorted(truth), filter_s)
    what = f"{options.out.name}, {'names only' if options.names else 'arm file'}, {options.train}"
    campaign(readings, truth, options.train, options.dirty, options.asked, filter_s).print(what)


if __name__ == "__main__":
    main()
