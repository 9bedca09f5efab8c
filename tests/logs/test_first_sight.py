"""Stated limits, joints' bare names and other languages' participles, read at first sight."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from replay.archive import open_archive
from replay.cleaning import ingest
from replay.logs import propose_map
from replay.logs.proposing.proposal import Line, Proposal


def lines_of(proposal: Proposal) -> dict[tuple[str, str], Line]:
    return {(x.table, x.key): x for x in proposal.lines}


def limited(folder: Path, unit: str, stated: str, *, reach: float = 1.0) -> Path:
    """Write two joints that move at up to ``reach`` of a stated limit of 8.3 deg/s."""
    t = np.arange(400) / 10
    limit = 8.3
    rate = np.clip(12 * np.sin(t / 3), -limit, limit) * reach
    angle = np.cumsum(rate) / 10
    turn = 1.0 if unit == "deg" else math.pi / 180
    told = limit if stated == "deg_s" else math.radians(limit)
    rng = np.random.default_rng(3)
    rows = [f"t_s,q1,q2,v1,v2,max_speed_{stated},i1,i2"]
    for k in range(400):
        noise = rng.normal(0, 0.002, 6)
        q, v = turn * angle[k], turn * rate[k]
        rows.append(
            f"{t[k]:.1f},{q + noise[0] * turn:.6f},{q / 2 + noise[1] * turn:.6f},"
            f"{v:.6f},{v / 2:.6f},"
            f"{told:.6f},{1 + noise[4]:.4f},{0.5 + noise[5]:.4f}"
        )
    path = folder / f"{unit}-{stated}.csv"
    path.write_text("\n".join(rows) + "\n")
    return path


@pytest.mark.parametrize("unit", ["deg", "rad"])
@pytest.mark.parametrize("stated", ["deg_s", "rad_s"])
def test_a_stated_rate_limit_proves_the_unit(tmp_path: Path, unit: str, stated: str) -> None:
    told = lines_of(propose_map(limited(tmp_path, unit, stated)))
    for table, meant in (("joint.angle", unit), ("joint.rate", f"{unit}/s")):
        line = told[table, "unit"]
        assert line.value == f'"{meant}"'
        assert line.confidence >= 0.85
    assert "states" in told["joint.rate", "unit"].why
    assert "max_speed" in told["joint.rate", "unit"].why


def test_a_limit_that_nobody_reaches_proves_nothing(tmp_path: Path) -> None:
    told = lines_of(propose_map(limited(tmp_path, "rad", "deg_s", reach=0.6)))
    assert told["joint.rate", "unit"].confidence <= 0.5
    assert told["joint.angle", "unit"].confidence <= 0.5


def hobby(folder: Path, names: tuple[str, ...]) -> Path:
    t = np.arange(300)
    rows = [",".join(["ms", *names, *(f"{n}_mA" for n in names), "grip_open"])]
    for k in t:
        angles = [round(90 + 40 * math.sin(k / 40 + n)) for n in range(len(names))]
        currents = [round(300 + 200 * math.sin(k / 40 + n)) for n in range(len(names))]
        rows.append(",".join(map(str, [k * 50, *angles, *currents, 0])))
    path = folder / "hobby.csv"
    path.write_text("\n".join(rows) + "\n")
    return path


def test_columns_that_bear_a_joints_name_alone_are_a_question(tmp_path: Path) -> None:
    path = hobby(tmp_path, ("base", "shoulder", "elbow"))
    proposal = propose_map(path)
    told = lines_of(proposal)
    assert told["joint.angle", "column"].value == '"{name}"'
    assert told["joint.angle", "column"].confidence < 0.6
    assert told["time", "column"].value == '"ms"'
    assert told["time", "format"].value == '"milliseconds"'
    assert told["joint.current", "unit"].value == '"mA"'
    assert "grip_open" in proposal.unused
    result = ingest(open_archive(tmp_path / "archive", create=True), [path])
    assert "[joint.angle]" in result.refused[0].reason


@pytest.mark.parametrize(
    ("joint", "measured", "commanded"),
    [
        ("Giunto {} ", "angolo misurato (gradi)", "angolo comandato (gradi)"),
        ("Asse {} ", "posizione effettiva (gradi)", "posizione richiesta (gradi)"),
        ("Eje {} ", "posicion medida (grados)", "posicion deseada (grados)"),
        ("Axe {} ", "position effective (deg)", "position demandee (deg)"),
    ],
)
def test_participles_tell_the_command(
    tmp_path: Path, joint: str, measured: str, commanded: str
) -> None:
    names = [joint.format(n) + what for n in (1, 2) for what in (measured, commanded)]
    currents = [joint.format(n) + "corrente (A)" for n in (1, 2)]
    rows = [";".join(["t_s", *names, *currents])]
    for k in range(200):
        cells = [f"{k / 10}"]
        for n in (1, 2):
            cells += [f"{50 * math.sin(k / 30 + n):.4f}", f"{50 * math.sin(k / 30 + n + 0.01):.2f}"]
        rows.append(";".join([*cells, f"{math.cos(k / 30):.3f}", f"{math.cos(k / 20):.3f}"]))
    path = tmp_path / "log.csv"
    path.write_text("\n".join(rows) + "\n")
    proposal = propose_map(path)
    assert proposal.columns["joint.angle"] == (names[0], names[2])
    assert proposal.columns["joint.commanded_angle"] == (names[1], names[3])
