"""Speed of checking and learning beside bare scikit-learn on the same arrays.

Run by hand: ``python tests/benchmarks/detection.py [sessions] [hz] [hours]``.
Prints joint-samples per second of scoring warm tables, the ratio to
`IsolationForest.score_samples` on speed and current, and the time to learn.
"""

from __future__ import annotations

import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta

import numpy as np
from sklearn.ensemble import IsolationForest

from replay.archive import open_archive
from replay.checks.checking import judge
from replay.demo import SessionPlan, session_record, simulate_session
from replay.models import learn
from replay.models.bins import bin_table
from replay.models.readings import Reading, table_marks, unit_of
from replay.signals.joints import joint_tables


def main() -> None:
    """Build sessions, learn, score one of them."""
    sessions = int(sys.argv[1]) if len(sys.argv) > 1 else 8
    hz = float(sys.argv[2]) if len(sys.argv) > 2 else 100.0
    hours = float(sys.argv[3]) if len(sys.argv) > 3 else 0.25
    with tempfile.TemporaryDirectory() as folder:
        archive = open_archive(folder, create=True)
        for k in range(sessions):
            plan = SessionPlan(
                start=datetime(2031, 1, 5, tzinfo=UTC) + timedelta(days=k),
                minutes=60 * hours,
                rate_hz=hz,
            )
            frame, _ = simulate_session(plan, k)
            archive.add_session(session_record(plan, frame, name=f"s{k:03d}"), {"main": frame})
        begin = time.perf_counter()
        baseline = learn(archive)
        print(f"learn: {time.perf_counter() - begin:.1f} s for {sessions} sessions of {hours} h")
        record = archive.session("s000")
        begin = time.perf_counter()
        tables = joint_tables(archive, "s000")
        rows = sum(t.height for t in tables.values())
        print(f"joint tables: {rows / (time.perf_counter() - begin) / 1e6:.2f} M rows/s")
        for _ in range(3):
            begin = time.perf_counter()
            readings = [
                Reading("s000", j, unit_of(record, j), record.start, bin_table(t), table_marks(t))
                for j, t in tables.items()
            ]
            judge(record, readings, baseline)
            ours = rows / (time.perf_counter() - begin)
        table = next(iter(tables.values()))
        pair = np.nan_to_num(table.select("rate_deg_s", "current_a").to_numpy())[:200_000]
        forest = IsolationForest(random_state=0).fit(pair)
        begin = time.perf_counter()
        forest.score_samples(pair)
        bare = pair.shape[0] / (time.perf_counter() - begin)
        print(f"check: {ours / 1e6:.2f} M joint-samples/s, {ours / bare:.1f} times a bare forest")


if __name__ == "__main__":
    main()
