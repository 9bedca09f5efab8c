"""The very log of a stored session, read anew: what stands in whose place, or is refused."""

from __future__ import annotations

import shlex
from collections.abc import Collection, Sequence
from pathlib import Path

from replay.arm import Arm
from replay.cleaning.keeper import Keeper
from replay.cleaning.sessions import arm_name, session_id, source_name
from replay.errors import LogRefused
from replay.logs.maps import LogMap
from replay.records import Session
from replay.wording import counted


def is_seen(archive: Keeper, paths: Sequence[Path]) -> bool:
    """Tell whether logs of these names came before; then digests are worth waiting for."""
    frame = archive.sessions()
    return frame.height > 0 and source_name([p.name for p in paths]) in frame["source"]


def known_session(archive: Keeper, sha256: str, log_map: LogMap, arm: Arm | None) -> str | None:
    """Return the session that this very log, map and arm file made before."""
    name = arm_name(log_map, arm)
    ending = session_id(0, name, sha256, log_map.toml, arm.toml if arm else "")[16:]
    for known in archive.sessions()["session"]:
        if known.endswith(ending):
            return str(known)
    return None


def stored_of_same_log(
    archive: Keeper, session: Session, among: Sequence[str], fresh: Collection[str]
) -> list[Session]:
    """Return the stored sessions of the same octets and arm that a session stands for anew.

    Its like, where its file has several runs, ``among`` those of these names; and whatever
    is none of them: the file as a whole, or runs that it was divided into otherwise. None of
    the ``fresh`` ones, which this very intake has stored.
    """
    frame = archive.sessions()
    if not frame.height:
        return []
    named = frame.filter((frame["source"] == session.source) & (frame["arm"] == session.arm))
    stored = [archive.session(str(name)) for name in named["session"] if name not in fresh]
    others = [name for name in among if name != session.run]
    return [
        s
        for s in stored
        if s.raw_sha256 == session.raw_sha256 and not any(_is_run(s, name) for name in others)
    ]


def the_one_to_replace(stored: Sequence[Session]) -> str | None:
    """Return the session of the same log whose place a new one takes, if there is one.

    Raises
    ------
    LogRefused
        When there are several: which of them goes is a person's to say.
    """
    same = [s.session for s in stored]
    if len(same) > 1:
        raise LogRefused(
            f"{counted(len(same), 'stored session was', 'stored sessions were')} read from "
            f"this very log: {', '.join(same)}",
            todo="take out those that are wrong: jointbook archive remove SESSION",
        )
    return same[0] if same else None


def refuse_twice(stored: Sequence[Session], session: Session, paths: Sequence[Path]) -> None:
    """Refuse octets that are stored already: their hours would count twice.

    Raises
    ------
    LogRefused
        When any of the same log is ``stored``, with what differs.
    """
    if not stored:
        return
    other = stored[0]
    said = f"this very log is stored already as session {other.session}, which was read "
    said += _read_otherwise(other, session)
    if other.start != session.start:
        said += (
            f" and begins at {other.start.isoformat()}; as it is read now it would begin at "
            f"{session.start.isoformat()}"
        )
    logs = " ".join(shlex.quote(str(path)) for path in paths)
    raise LogRefused(
        f"{said}; its hours must not count twice",
        file=paths[0],
        todo=f"to keep session {other.session}, do nothing; to put what is read now in its place, "
        f"with the log map and arm file that were given now: jointbook ingest {logs} --replace",
    )


def _read_otherwise(stored: Session, session: Session) -> str:
    """Say by what the reading of a stored session differs from that of another of its log."""
    texts = {
        "another log map": (stored.map_toml, session.map_toml),
        "another arm file": (stored.arm_toml, session.arm_toml),
    }
    differ = [name for name, (old, new) in texts.items() if (old or "") != (new or "")]
    return f"with {' and '.join(differ)}" if differ else "as other runs"


def _is_run(stored: Session, name: str) -> bool:
    """Tell whether a stored session is the run of that name.

    Records of earlier programs do not say it, but the session's own name is made from it.
    """
    if stored.run:
        return stored.run == name
    told = stored.raw_sha256 or "", stored.map_toml or "", stored.arm_toml or ""
    return stored.session[16:] == session_id(0, stored.arm, *told, run=name)[16:]
