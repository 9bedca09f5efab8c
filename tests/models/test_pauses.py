"""A pause of the log is no time that was judged."""

from pathlib import Path

import polars as pl
import pytest

from replay.models import fit
from tests.cleaning.logs import only, table, take


def test_hours_of_pause_are_not_joint_hours(tmp_path: Path) -> None:
    frame = table(1200)
    later = frame["t"].str.to_datetime(time_zone="UTC", time_unit="ns").dt.offset_by("3h")
    words = pl.concat([frame["t"][:600], later.dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ")[600:]])
    frame.with_columns(t=words).write_csv(tmp_path / "log.csv")
    archive, result = take(tmp_path, tmp_path / "log.csv")
    for unit in fit(archive, [only(result).session]).model.units.values():
        assert unit.hours == pytest.approx(120 / 3600, rel=0.05)
