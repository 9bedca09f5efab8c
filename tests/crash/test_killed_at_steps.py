"""Killed just before each thing that adding a session does to the disk.

Random moments seldom hit the short ones, such as that between the files and
the catalogue's row. Here the child kills itself at the n-th event: a file
opened for writing, a rename, a new or a removed folder.
"""

from __future__ import annotations

from pathlib import Path

from replay.archive import open_archive, repair, verify
from tests.crash.streams_of_logs import damages
from tests.crash.victims import Victims


def test_killed_before_each_step(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text("t,a1\n" + "0,1\n" * 100)
    job = {"what": "add", "log": str(log)}
    whole, count = tmp_path / "whole", tmp_path / "count"
    listed = []
    with Victims() as victims:
        assert victims.run(**job, root=str(whole), count=str(count)) == 0
        reference = (whole / "samples/s1/session.json").read_bytes()
        steps = int(count.read_text())
        assert steps > 15
        for at in range(1, steps + 1):
            root = tmp_path / f"at{at}"
            assert victims.run(**job, root=str(root), at_step=at) == -9
            if (root / "jointbook.json").exists():
                assert damages(root) == [], f"killed before step {at}"
                listed.append(open_archive(root).sessions().height)
                if at % 2:
                    repair(open_archive(root))
                    assert verify(open_archive(root)) == [], f"repaired after step {at}"
            assert victims.run(**job, root=str(root)) == 0
            archive = open_archive(root)
            assert archive.tables.read("sessions")["session"].to_list() == ["s1"]
            assert (root / "samples/s1/session.json").read_bytes() == reference
    assert list((whole / "samples/s1/overviews").iterdir())
    assert listed == sorted(listed)
    assert set(listed) == {0, 1}
