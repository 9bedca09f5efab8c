"""A folder of demo logs: sessions in several formats, maps, arm files, truth."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import polars as pl

from replay.demo import heron
from replay.demo.hardware import Wear
from replay.demo.histories import (
    FIRST,
    History,
    Swap,
    plan_history,
    session_seed,
    wear_truth,
)
from replay.demo.sessions import SessionPlan, simulate_session
from replay.demo.writing.files import FORMATS, Format
from replay.errors import UsageError

CONTENTS = "contents.toml"
TRUTH = "truth.json"


@dataclass(frozen=True, slots=True)
class LogFile:
    """One session to be written: plan, format, name, and what spoils the file."""

    plan: SessionPlan
    format: Format
    name: str
    seed: int
    spoil: Callable[[Path], None] | None = None
    readable: bool = True
    spoil_frame: Callable[[pl.DataFrame], pl.DataFrame] | None = None


@dataclass(frozen=True, slots=True)
class Upkeep:
    """A line of the yard's maintenance log."""

    serial: str
    date: datetime
    what: str
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Folder:
    """What was written: paths by kind."""

    logs: list[Path] = field(default_factory=list)
    beside: list[Path] = field(default_factory=list)


def make(
    folder: str | Path,
    *,
    sessions: int = 20,
    hours: float = 0.25,
    seed: int = 1,
    rate_hz: float = 20.0,
    years: float = 2.0,
    fault_rate: float = 0.4,
    wear: Sequence[Wear] | None = None,
    swaps: Sequence[Swap] = (),
    formats: Sequence[str] = tuple(FORMATS),
    progress: Callable[[int, int], None] | None = None,
) -> list[Path]:
    """Write a folder of logs with their maps, arm files and truth.

    Parameters
    ----------
    folder : path
        Made if need be; files of the same names are written over.
    sessions, hours, rate_hz, years
        How many sessions, how long each, how finely logged, over what span.
    seed : int
        Same arguments, same bytes.
    fault_rate : float
        Faults a session, in the mean.
    wear : sequence of Wear, optional
        By default one unit wears steadily; an empty sequence is no wear.
    formats : sequence of str
        Names from ``files.FORMATS``, taken in turn.

    Returns
    -------
    list of Path
        The logs, oldest first.
    """
    unknown = [f for f in formats if f not in FORMATS]
    if unknown or not formats:
        raise UsageError(f"no format {unknown}", todo=f"some of {', '.join(FORMATS)}")
    if sessions < 1 or hours <= 0:
        raise UsageError("a folder of logs needs at least one session of some length")
    laws = (Wear("TU-104", "linear", 0.15),) if wear is None else tuple(wear)
    history = History(
        sessions=sessions,
        years=years,
        minutes=hours * 60.0,
        rate_hz=rate_hz,
        first=FIRST,
        arm_seed=seed,
        wear=laws,
        swaps=tuple(swaps),
        fault_rate=fault_rate,
    )
    files = []
    for number, plan in enumerate(plan_history(history, seed)):
        form = FORMATS[formats[number % len(formats)]]
        if form.name == "long" and plan.style == "walk":
            form = FORMATS["csv"]  # the message bus counts from a base that stays
        name = f"{plan.start:%Y-%m-%d-%H%M}-{plan.style.replace(' ', '-')}{form.suffix}"
        files.append(LogFile(plan, form, name, session_seed(seed, number)))
    return write_folder(Path(folder), files, progress=progress).logs


def write_folder(
    folder: Path,
    files: Sequence[LogFile],
    *,
    upkeep: Sequence[Upkeep] = (),
    progress: Callable[[int, int], None] | None = None,
) -> Folder:
    """Simulate and write these logs, and all that belongs beside them."""
    folder.mkdir(parents=True, exist_ok=True)
    out = Folder()
    truths: list[dict[str, Any]] = []
    groups: dict[tuple[str, str], list[str]] = {}
    arms = _arm_files(files)
    pose: tuple[float, ...] | None = None
    for number, file in enumerate(files):
        # The arm starts where it was left.
        frame, truth = simulate_session(replace(file.plan, start_deg=pose), file.seed)
        pose = tuple(truth.pop("end_deg"))
        if file.spoil_frame is not None:
            frame = file.spoil_frame(frame)
        path = folder / file.name
        file.format.write(frame, path)
        if file.spoil is not None:
            file.spoil(path)
        truths.append({**truth, "source": file.name})
        out.logs.append(path)
        groups.setdefault((file.format.map_name, arms[file.plan.units]), []).append(file.name)
        if progress is not None:
            progress(number + 1, len(files))
    beside = {f.format.map_name: f.format.map_toml for f in files}
    beside |= {name: heron.arm_toml(units) for units, name in arms.items()}
    unreadable = [f.name for f in files if not f.readable]
    beside[CONTENTS] = _contents(groups, unreadable, upkeep)
    wear = wear_truth([f.plan for f in files])
    beside[TRUTH] = json.dumps({"sessions": truths, "wear": wear}, indent=1) + "\n"
    for name, text in beside.items():
        (folder / name).write_text(text, encoding="utf-8")
        out.beside.append(folder / name)
    return out


def _arm_files(files: Sequence[LogFile]) -> dict[tuple[str, ...], str]:
    """Name an arm file for each set of units, ``heron.toml`` for the first."""
    names: dict[tuple[str, ...], str] = {}
    for file in files:
        if file.plan.units not in names:
            since = f"-from-{file.plan.start:%Y-%m}" if names else ""
            names[file.plan.units] = f"heron{since}.toml"
    return names


def _contents(
    groups: dict[tuple[str, str], list[str]], unreadable: Sequence[str], upkeep: Sequence[Upkeep]
) -> str:
    lines = [
        "# Which log is read with which map and which arm file.",
        "# Those that cannot be read must be refused.",
        f"unreadable = {json.dumps(list(unreadable))}",
    ]
    for (map_name, arm_name), names in groups.items():
        listed = "".join(f'\n  "{name}",' for name in names)
        lines += [
            "",
            "[[logs]]",
            f'map = "{map_name}"',
            f'arm = "{arm_name}"',
            f"files = [{listed}\n]",
        ]
    for entry in upkeep:
        lines += [
            "",
            "[[maintenance]]",
            f'serial = "{entry.serial}"',
            f"date = {entry.date:%Y-%m-%d}",
            f'what = "{entry.what}"',
            f'detail = "{entry.detail}"',
        ]
    return "\n".join(lines) + "\n"
