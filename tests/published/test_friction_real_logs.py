"""Friction fits on open logs of real machines.

Cobot: Tyrovolas, Aliev, Antonelli & Stylios (2024), UCI data set 963,
doi 10.24432/C5J891 (CC BY 4.0). Mill: University of Michigan SMART lab (2018), CNC mill
tool wear. Figures to compare with were computed with plain least squares on these files.
"""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from replay.signals import joint_tables
from replay.wear.measures.friction import friction_measures
from replay.wear.measures.motions import chunk_means, motion_samples, moving_rows
from replay.wear.reference.model import make_reference
from replay.wear.session_friction import session_friction
from tests.real_logs import COBOT, whole
from tests.signals.makers import archive_of


def mill(run: int) -> pl.DataFrame:
    return pl.read_csv(whole("cnc_mill", f"experiment_{run:02d}.csv"))


def test_a_cobots_gravity_is_no_friction(tmp_path):
    log = whole(*COBOT)
    frame = pl.read_csv(log, separator=";", decimal_comma=True, infer_schema_length=None)
    t = np.arange(frame.height, dtype=float)
    channels = {}
    for k in range(6):
        warm = "Temperature_T0" if k == 0 else f"Temperature_J{k}"
        for name, column, scale in (
            ("current_a", f"Current_J{k}", 1.0),
            ("rate_deg_s", f"Speed_J{k}", 180 / np.pi),
            ("temperature_c", warm, 1.0),
        ):
            channels[f"J{k}.{name}"] = frame[column].cast(pl.Float64, strict=False) * scale
    tables = joint_tables(archive_of(tmp_path, {"main": channels}, {"main": t}), "s")
    assert len(tables) == 6
    for name, table in tables.items():
        moving = (table["motion"] == "moving").mean()
        assert 0.2 < moving < 0.6  # slow sampling hides neither motion nor rest
        found = session_friction({}, name, f"TU-{name}", table)
        # speed alone explains 1 to 23 % of the current, gravity the rest: no figure of friction
        assert found is not None
        assert found.withheld
        assert not any(term.determined for term in found.terms)


@pytest.mark.parametrize("run", [1, 6, 13])
def test_current_of_a_mills_axis_against_its_speed(tmp_path, run):
    frame = mill(run)
    v, a, i = (
        frame[f"X1_{c}"].cast(pl.Float64).to_numpy()
        for c in ("ActualVelocity", "ActualAcceleration", "CurrentFeedback")
    )
    # the plain figure: I ~ sign(v) + v + a + 1 has R2 0.67 to 0.86 on X over all runs
    way = np.sign(np.where(np.abs(v) < 0.3, 0, v))  # at rest the velocity's sign is noise
    design = np.stack([way, v, a, np.ones_like(v)], axis=1)
    plain, loss, *_ = np.linalg.lstsq(design, i)
    r2 = 1 - loss[0] / np.sum((i - i.mean()) ** 2)
    assert 0.66 < r2 < 0.87
    assert 2.9 < plain[0] < 5.8
    t = np.arange(len(v)) / 10
    channels = {
        "X.current_a": i,
        "X.rate_deg_s": v,
        "X.angle_deg": frame["X1_ActualPosition"].cast(pl.Float64).to_numpy(),
    }
    table = joint_tables(archive_of(tmp_path, {"main": channels}, {"main": t}), "s")["X"]
    found = session_friction({}, "X", "TU-X", table)
    assert found is not None
    assert found.withheld  # cutting adds to one direction and takes from the other
    # what many sessions would be trended by, the mean of both, is what the plain figure has there
    motions = chunk_means(motion_samples(moving_rows(table)))
    measures = friction_measures(motions, make_reference([motions], 1))
    (usual,) = (m.value for m in measures if m.indicator == "friction at usual rate")
    assert usual == pytest.approx(plain[0] + plain[1] * found.usual_rate_deg_s, rel=0.15)
