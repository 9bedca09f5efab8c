"""From cleaned parts to one session's record."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from replay.arm import Arm
from replay.cleaning.notes import instant, quality_notes, routine_last
from replay.cleaning.parts import Part, constants
from replay.errors import LogRefused
from replay.logs.maps import LogMap
from replay.logs.switched_off import switched_off
from replay.records import QualityNote, Session
from replay.units import split_channel


def session_id(
    start_ns: int, arm: str, raw_sha256: str, map_toml: str, arm_toml: str, run: str = ""
) -> str:
    """Name a session by its start, its arm and what it was read from.

    Examples
    --------
    >>> session_id(0, "Heron", "ab", "", "")[:23]
    '19700101T000000Z-heron-'
    """
    told = hashlib.sha256(
        "\x00".join([raw_sha256, map_toml, arm_toml, *([run] if run else [])]).encode()
    ).hexdigest()
    slug = re.sub(r"[^a-z0-9]+", "-", arm.lower()).strip("-") or "arm"
    return f"{instant(start_ns):%Y%m%dT%H%M%SZ}-{slug}-{told[:6]}"


def source_name(names: Sequence[str]) -> str:
    """Return what the catalogue calls a session's files."""
    return "; ".join(names)


def arm_name(log_map: LogMap, arm: Arm | None) -> str:
    """Return the arm's name: the arm file's, else the map's, else ``arm``."""
    return arm.name if arm is not None else (log_map.arm or "arm")


def stream_files(parts: Sequence[Part]) -> dict[str, tuple[Part, str]]:
    """Name all streams of a session; the one with currents is ``main``."""
    ranked = sorted(
        ((part, name) for part in parts for name in part.streams), key=lambda p: _rank(*p)
    )
    named: dict[str, tuple[Part, str]] = {}
    for place, (part, name) in enumerate(ranked):
        wanted = "main" if place == 0 else name
        if wanted == "main" and place:
            wanted = re.sub(r"\W+", "_", part.raw.path.name.split(".")[0]).lower() or "stream"
        unique = wanted
        while unique in named:
            unique = f"{wanted}_{place}"
        named[unique] = (part, name)
    return named


def build_session(
    parts: Sequence[Part],
    log_map: LogMap,
    arm: Arm | None,
    joints: tuple[str, ...],
    *,
    raw_sha256: str,
    program: str,
    extra: Sequence[QualityNote] = (),
) -> tuple[Session, Mapping[str, Path]]:
    """Put together the record of a session and the files of its streams."""
    named = stream_files(parts)
    files = {name: part.streams[inner] for name, (part, inner) in named.items()}
    cleaners = {name: part.cleaners[inner] for name, (part, inner) in named.items()}
    channels = {name: tuple(p.name for p in c.plans) for name, c in cleaners.items()}
    main = cleaners["main"]
    start = min(c.first_ns for c in cleaners.values() if c.first_ns is not None)
    end = max(c.last_ns for c in cleaners.values() if c.last_ns is not None)
    fixed = constants(list(files.values()), log_map)
    present = {split_channel(c)[1] for names in channels.values() for c in names} | set(fixed)
    expected = main.expected_rows
    base_end, payload, person = (fixed.get(k) for k in ("base_end", "payload_kg", "person_on_tip"))
    arm_toml = arm.toml if arm is not None else None
    name = arm_name(log_map, arm)
    _refuse_without_currents(parts)
    own = {id(p): {inner: name for name, (q, inner) in named.items() if q is p} for p in parts}
    notes = [n for part in parts for n in (*part.told, *quality_notes(part, own[id(part)]))]
    if len(parts) > 1:
        notes = [*_of_one_file(parts), *notes]
    session = Session(
        session=session_id(start, name, raw_sha256, log_map.toml, arm_toml or "", parts[0].raw.run),
        source=source_name([part.raw.path.name for part in parts]),
        arm=name,
        rows=main.rows_out,
        start=instant(start),
        end=instant(end),
        joints=joints,
        units=_serials(arm, joints),
        channels=channels,
        base_end=None if base_end is None else str(base_end),
        payload_kg=float(payload) if isinstance(payload, int | float) else None,
        person_on_tip=person if isinstance(person, bool) else None,
        rate_hz=main.rate_hz,
        completeness=main.rows_out / expected if expected and main.regular else None,
        raw_sha256=raw_sha256,
        arm_toml=arm_toml,
        map_toml=log_map.toml,
        program=program,
        quality=tuple(routine_last([*extra, *notes])),
        switched_off=switched_off(present),
        run=parts[0].raw.run,
    )
    return session, files


def _of_one_file(parts: Sequence[Part]) -> Iterator[QualityNote]:
    """Say which channels only one of the session's files has."""
    found = [
        [plan.name for cleaner in part.cleaners.values() for plan in cleaner.plans]
        for part in parts
    ]
    for part, names in zip(parts, found, strict=True):
        alone = [n for n in names if sum(n in others for others in found) == 1]
        if alone:
            yield QualityNote(
                "one-file",
                f"only {part.raw.path.name} has {', '.join(alone)}",
                count=len(alone),
            )


def _refuse_without_currents(parts: Sequence[Part]) -> None:
    """Refuse a log whose currents are all there and say nothing."""
    plans = [
        (part, plan, cleaner.nulls_out[plan.name] >= cleaner.rows_out)
        for part in parts
        for cleaner in part.cleaners.values()
        for plan in cleaner.plans
        if plan.quantity == "current_a"
    ]
    if plans and all(empty for _, _, empty in plans):
        part, plan, _ = plans[0]
        met = [*plan.text_counts, *plan.sentinel_counts][:3] or [""]
        raise LogRefused(
            f"no value of any current can be read: column {plan.column!r} says "
            + ", ".join(repr(w) for w in met),
            file=part.raw.path,
            column=plan.column,
            todo="look at [joint.current] of the log map, and at how the log writes its numbers",
        )


def _serials(arm: Arm | None, joints: Sequence[str]) -> dict[str, str]:
    """Return the serial number of each joint's unit, where the arm file has one."""
    known = [] if arm is None else [j for j in arm.joints if j.name in joints]
    return {j.name: j.serial for j in known if j.serial}


def _rank(part: Part, name: str) -> tuple[bool, bool, bool, int]:
    plans = part.cleaners[name].plans
    has_current = any(p.quantity == "current_a" for p in plans)
    return (part.second, not has_current, name != "main", -len(plans))
