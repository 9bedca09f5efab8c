"""The sessions of an archive as the library lists them."""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass

import polars as pl

from replay.archive import Archive
from replay.archive.completeness import share_words
from replay.checks import lost_flags
from replay.cleaning import note_level
from replay.records import QualityNote, Session
from replay.reviews import OPEN, verdicts
from replay.reviews.signing_off.sign_offs import signed_states
from replay.wording import number

RANKS = {"note": 1, "look": 2, "act": 3}
WORDS = {0: "none", **{rank: word for word, rank in RANKS.items()}}


@dataclass(frozen=True, slots=True)
class Library:
    """The catalogue, one row a session, newest first.

    Columns: ``session, arm, start, minutes, joints, base_end, payload_kg,
    person, completeness, marks`` (worst severity per joint as digits 0 to 3,
    in the arm's order), ``worst`` (0 to 3), ``flags``, ``open``, ``checked``,
    ``signed`` (no, half-signed, signed), ``rate_hz, source``. ``places`` names the
    joints of each arm in order.
    """

    rows: pl.DataFrame
    places: dict[str, list[str]]
    of_all: int
    """How many sessions the archive has; ``rows`` may be the newest of them."""


LISTED = 20_000
"""So many sessions the library page lists, the newest ones: a browser has to hold them."""


def library(archive: Archive, most: int | None = None) -> Library:
    """Read what was flagged and decided, of all sessions or of the ``most`` newest."""
    of_all = archive.count()
    few = most is not None and of_all > most
    sessions = archive.newest(most).reverse() if few and most is not None else archive.sessions()
    among = sessions["session"].to_list() if few else None
    if not sessions.height:
        return Library(sessions, {}, of_all)
    newest = sessions.group_by("arm", maintain_order=True).agg(pl.col("session").last())
    places = {arm: list(archive.session(name).joints) for arm, name in newest.iter_rows()}
    flags = _flags(archive, among)
    for arm, joint in (
        flags.join(sessions.select("session", "arm"), on="session")
        .select("arm", "joint")
        .unique()
        .sort("joint")
        .iter_rows()
    ):
        if joint and joint not in places[arm]:
            places[arm].append(joint)
    checked = archive.table("checks") if among is None else archive.rows_of("checks", among)
    checked = checked.select("session").unique() if checked.height else _no_sessions()
    lost = list(lost_flags(archive, among))  # these are not silent: they are to be checked again
    checked = checked.filter(~pl.col("session").is_in(lost))
    rows = (
        sessions.select(
            "session",
            "arm",
            "start",
            "end",
            "joints",
            "base_end",
            "payload_kg",
            pl.col("person_on_tip").alias("person"),
            "completeness",
            "rate_hz",
            "source",
        )
        .join(_marks(flags, sessions, places), on="session", how="left")
        .join(_open_counts(archive, flags), on="session", how="left")
        .join(checked.with_columns(checked=pl.lit(True)), on="session", how="left")
        .with_columns(
            ((pl.col("end") - pl.col("start")).dt.total_milliseconds() / 60_000)
            .round(2)
            .alias("minutes"),
            pl.col("marks").fill_null(""),
            pl.col("worst").fill_null(0),
            pl.col("flags").fill_null(0),
            pl.col("open").fill_null(0),
            pl.col("checked").fill_null(False),
            pl.col("session").replace_strict(signed_states(archive), default="no").alias("signed"),
            pl.col("source").str.extract(r"([^/\\]+)$").fill_null(pl.col("source")),
        )
        .sort("start", "session", descending=True)
    )
    return Library(rows, places, of_all)


def session_asked(archive: Archive, session: str | None, flag: str | None) -> str | None:
    """Return the session that an address asks for: the one it names, else the flag's."""
    if session or not flag:
        return session
    table = archive.table("flags")
    found = table.filter(pl.col("flag") == flag)["session"] if table.height else pl.Series()
    return str(found[0]) if found.len() == 1 else None


def is_unknown(archive: Archive, session: str | None) -> bool:
    """Tell whether a session is named that the archive does not have."""
    return bool(session) and not archive.has_session(str(session))


def nearest_sessions(archive: Archive, asked: str, most: int = 4) -> list[str]:
    """Return the names nearest to one that there is not: what it is called now, then the alike."""
    now = [name for name, had in archive.earlier().items() if asked in had]
    known = archive.sessions()["session"].to_list()
    alike = difflib.get_close_matches(asked, known, n=most, cutoff=0.5)
    return list(dict.fromkeys([*now, *alike]))[:most]


def sessions_of(archive: Archive) -> list[tuple[str, str]]:
    """Return ``(session, label)`` of every session, newest first, for pickers."""
    frame = archive.sessions()
    if not frame.height:
        return []
    frame = frame.sort("start", "session", descending=True)
    return [
        (row["session"], f"{row['start']:%Y-%m-%d %H:%M} · {row['arm']} · {row['session']}")
        for row in frame.select("session", "arm", "start").iter_rows(named=True)
    ]


def notes_by_level(record: Session) -> tuple[list[QualityNote], list[QualityNote]]:
    """Return a session's quality notes: those to be read, and routine changes."""
    routine = [n for n in record.quality if note_level(n) == "routine"]
    return [n for n in record.quality if note_level(n) != "routine"], routine


def facts(record: Session, complete: str = "") -> list[tuple[str, str]]:
    """Return what a reader wants to know of a session first, as word pairs."""
    minutes = (record.end - record.start).total_seconds() / 60
    logged = {name for names in record.channels.values() for name in names}

    def said(name: str, whole: str | None) -> str:
        return whole or ("varying" if name in logged else "not said")

    tip, kg = record.person_on_tip, record.payload_kg
    person = said("person_on_tip", None if tip is None else "yes" if tip else "no")
    payload = said("payload_kg", None if kg is None else f"{kg:g} kg")
    complete = complete or share_words(record.completeness, None, 1)
    return [
        ("Arm", record.arm),
        ("Start", f"{record.start:%Y-%m-%d %H:%M:%S} UTC"),
        ("Length", f"{minutes:.1f} min"),
        ("Base end", said("base_end", record.base_end)),
        ("Payload", payload),
        ("Person on the tip", person),
        ("Complete", complete),
        ("Rate", "not known" if record.rate_hz is None else f"{number(record.rate_hz)} Hz"),
        ("Source", re.split(r"[/\\]", record.source)[-1]),
    ]


def last_check(archive: Archive, session: str) -> str:
    """Say when and against what a session was checked, and what that promises."""
    frame = archive.table("checks")
    found = frame.filter(pl.col("session") == session) if frame.height else frame
    if not found.height:
        return "Not checked yet: the library page checks it."
    if (lost := lost_flags(archive).get(session)) is not None:
        kept, raised = lost
        return f"Not checked any more: flags lost, check again ({kept} of {raised} are left)."
    row = found.sort("checked_at").row(-1, named=True)
    words = [f"Checked {row['checked_at']:%Y-%m-%d %H:%M} UTC against baseline {row['baseline']}"]
    if row["expected_false_flags"] is not None and row["joint_hours"] is not None:
        words.append(
            f"about {row['expected_false_flags']:.2g} false flags are to be expected in its "
            f"{row['joint_hours']:.3g} joint-hours"
        )
    said = "; ".join(words) + "."
    note = row["note"] or ""
    return f"{said} {note[:1].upper()}{note[1:]}".strip()


def _flags(archive: Archive, among: list[str] | None) -> pl.DataFrame:
    frame = archive.table("flags") if among is None else archive.rows_of("flags", among)
    if not frame.height:
        return pl.DataFrame(
            schema={"session": pl.String, "flag": pl.String, "joint": pl.String, "rank": pl.Int64}
        )
    return frame.select(
        "session",
        "flag",
        "joint",
        pl.col("severity").replace_strict(RANKS, default=1, return_dtype=pl.Int64).alias("rank"),
    )


def _marks(
    flags: pl.DataFrame, sessions: pl.DataFrame, places: dict[str, list[str]]
) -> pl.DataFrame:
    """Worst severity per joint, written as one digit a joint place."""
    slots = pl.DataFrame(
        [
            {"arm": arm, "joint": joint, "slot": slot}
            for arm, joints in places.items()
            for slot, joint in enumerate(joints)
        ],
        schema={"arm": pl.String, "joint": pl.String, "slot": pl.Int64},
    )
    worst = flags.group_by("session", "joint").agg(pl.col("rank").max())
    return (
        sessions.select("session", "arm")
        .join(slots, on="arm")
        .join(worst, on=["session", "joint"], how="left")
        .with_columns(pl.col("rank").fill_null(0))
        .sort("session", "slot")
        .group_by("session", maintain_order=True)
        .agg(
            pl.col("rank").cast(pl.String).str.join("").alias("marks"),
            pl.col("rank").max().alias("worst"),
        )
    )


def _open_counts(archive: Archive, flags: pl.DataFrame) -> pl.DataFrame:
    decided = verdicts(archive).filter(pl.col("verdict") != OPEN).select("session", "flag")
    counted = flags.join(decided.with_columns(done=pl.lit(1)), on=["session", "flag"], how="left")
    return counted.group_by("session").agg(
        pl.len().alias("flags"), pl.col("done").is_null().sum().alias("open")
    )


def _no_sessions() -> pl.DataFrame:
    return pl.DataFrame(schema={"session": pl.String})
