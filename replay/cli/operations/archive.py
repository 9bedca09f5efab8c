"""Look after an archive: verify, repair, compact, rebuild, migrate.

remove    take a session out; its files and decisions are kept, and marked as withdrawn
verify    read every file and compare it with the digest noted when it was written
repair    mend what can be mended from the archive itself; nothing is thrown away.
          A mend that gives up rows is only told, and done with --drop
compact   merge small files of the tables; those no longer read are counted, and
          deleted with --drop
rebuild   make samples again from the logs as they came, and compare the bytes
migrate   bring an archive of an older schema version up to date
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable, Iterable

from replay.archive import (
    Archive,
    Finding,
    Mended,
    migrate,
    open_archive,
    repair,
    repair_marker,
    verify,
)
from replay.archive.care.rebuild import rebuild
from replay.cli.output import print_json, progress, say
from replay.errors import JointbookError, UsageError
from replay.record.database import SETTING
from replay.record.proof import prove, restore
from replay.records import Session
from replay.wording import counted

RECORD = "record"
"""Where the record of what people decided lies in an archive."""

KEEP_HOURS = 168.0
"""How long `compact` leaves files that a slow reader may still be reading."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this verb's arguments."""
    parser.add_argument("action", choices=sorted(_ACTIONS), help="what to do")
    parser.add_argument(
        "sessions", nargs="*", metavar="SESSION", help="rebuild: only these; remove: these"
    )
    parser.add_argument("--why", default="", help="remove: the reason, kept on the record")
    parser.add_argument("--who", default="", help="remove: who takes it out (your account)")
    parser.add_argument(
        "--keep-hours",
        type=float,
        default=KEEP_HOURS,
        metavar="H",
        help=f"compact: keep files that left a table less than H hours ago ({KEEP_HOURS:g})",
    )
    parser.add_argument(
        "--drop",
        action="store_true",
        help="repair, compact: do also what drops something; without it that is only told",
    )
    parser.add_argument(
        "--damaged", action="store_true", help="rebuild: only sessions that verify finds damaged"
    )
    parser.add_argument(
        "--put-in",
        action="store_true",
        help="rebuild: put in what this version of the program makes, where it differs",
    )


def run(args: argparse.Namespace) -> int:
    """Do one of the actions."""
    if args.sessions and args.action not in ("rebuild", "remove"):
        raise UsageError(f"`archive {args.action}` takes no session names")
    if args.drop and args.action not in ("repair", "compact"):
        raise UsageError(f"`archive {args.action}` drops nothing, so --drop says nothing to it")
    if args.keep_hours < 0:
        raise UsageError("--keep-hours cannot be below 0")
    return _ACTIONS[args.action](args)


def _remove(args: argparse.Namespace) -> int:
    from getpass import getuser

    from replay.reviews.withdrawal import withdraw

    if not args.sessions:
        raise UsageError("which session?", todo="jointbook archive remove SESSION --why ...")
    if not args.why.strip():
        raise UsageError("--why is missing: the reason stays on the record")
    archive = open_archive(args.archive)
    gone = [
        withdraw(archive, name, who=args.who or getuser(), why=args.why) for name in args.sessions
    ]
    if args.json:
        print_json({"archive": str(archive.place), "removed": gone})
    else:
        for g in gone:
            flags = counted(g["flags"], "flag")
            print(f"{g['session']}: out of the catalogue, with {flags}; kept on record")
    return 0


def _verify(args: argparse.Namespace) -> int:
    archive = open_archive(args.archive)
    count = archive.sessions().height
    findings = verify(archive, progress=lambda names: _bar(names, "verify"))
    findings += _record_findings(archive)
    damaged = [f for f in findings if f.weight == "damage"]
    if args.json:
        print_json(
            {
                "archive": str(archive.place),
                "sessions": count,
                "sound": not damaged,
                "findings": findings,
            }
        )
    else:
        for f in findings:
            print(f"{f.weight}: {f.where}: {f.detail} (mends it: {f.remedy})")
        rest = counted(len(findings) - len(damaged), "leftover")
        print(f"{counted(count, 'session')}, {counted(len(damaged), 'damage')}, {rest}")
    return 1 if damaged else 0


def _repair(args: argparse.Namespace) -> int:
    mended = repair_marker(args.archive)
    archive = open_archive(args.archive)
    mended += repair(archive, drop=args.drop)
    if _record_findings(archive):
        mended.append(_mend_record(archive))
    rest = [f for f in [*verify(archive), *_record_findings(archive)] if f.weight == "damage"]
    waiting = [m for m in mended if m.drops and not m.done]
    if args.json:
        print_json({"archive": str(archive.place), "mended": mended, "left": rest})
    else:
        for m in mended:
            print(f"{'done' if m.done else 'not done'}: {m.where}: {m.what}")
        for f in rest:
            print(f"still damaged: {f.where}: {f.detail} (mends it: {f.remedy})")
        print(f"{sum(m.done for m in mended)} mended, {len(rest)} still damaged")
    if waiting:
        say(f"{len(waiting)} mends would drop something: `jointbook archive repair --drop`")
    return 1 if rest else 0


def _record_findings(archive: Archive) -> list[Finding]:
    """Return what is wrong with the record of what people decided."""
    if archive.place.folder is None and not os.environ.get(SETTING, "").strip():
        say(f"{archive.place}: the record was not looked at, since {SETTING} does not name it")
        return []
    return [
        Finding("record-of-people", "damage", RECORD, f"entry {d.seq}: {d.what}", "repair")
        for d in prove(archive).damages
    ]


def _mend_record(archive: Archive) -> Mended:
    """Build the record again from its copy; what was there is kept beside it."""
    try:
        return Mended(
            RECORD,
            True,
            f"built again from its copy: {counted(restore(archive), 'entry', 'entries')}",
        )
    except JointbookError as error:
        return Mended(RECORD, False, str(error))


def _compact(args: argparse.Namespace) -> int:
    archive = open_archive(args.archive)
    done = {
        name: archive.tables.tidy(name, keep_hours=args.keep_hours, drop=args.drop)
        for name in archive.tables.names()
    }
    if args.json:
        print_json({"archive": str(archive.place), "tables": done})
    else:
        for name, counts in done.items():
            gone = f"{counts['deleted']} deleted" if args.drop else f"{counts['unread']} unread"
            print(f"{name}: {counted(counts['merged'], 'file')} merged, {gone}")
    if not args.drop and any(counts["unread"] for counts in done.values()):
        say("unread files are deleted by `jointbook archive compact --drop`")
    return 0


def _rebuild(args: argparse.Namespace) -> int:
    archive = open_archive(args.archive)
    names = list(args.sessions)
    if args.damaged:
        found = {f.session for f in verify(archive) if f.remedy == "rebuild" and f.session}
        names = sorted(found & set(names) if names else found)
    results = rebuild(
        archive,
        _ingest_again,
        sessions=names if args.sessions or args.damaged else None,
        put_in=args.put_in,
        progress=lambda logs: progress(logs, what="rebuild"),
    )
    if args.json:
        print_json({"archive": str(archive.place), "rebuilt": results})
    else:
        for r in results:
            print(f"{r.session}: {r.outcome}" + (f": {r.detail}" if r.detail else ""))
    short = [r for r in results if r.outcome in ("lost", "differs")]
    if short:
        say(f"{len(short)} of {len(results)} sessions are not as their logs make them")
    return 1 if short else 0


def _migrate(args: argparse.Namespace) -> int:
    passed = migrate(args.archive)
    if args.json:
        print_json({"archive": args.archive, "versions": passed})
    else:
        print(f"now version {passed[-1]}" if passed else "up to date already")
    return 0


def _ingest_again(scratch: Archive, sources: list[str], record: Session) -> list[str]:
    """Take one log into a scratch archive, as it was taken the first time."""
    from replay.cleaning import ingest

    result = ingest(scratch, sources, log_map=record.map_toml, arm=record.arm_toml)
    return [r.reason for r in result.refused]


def _bar(names: Iterable[str], what: str) -> Iterable[str]:
    listed = list(names)
    return progress(listed, total=len(listed), what=what)


_ACTIONS: dict[str, Callable[[argparse.Namespace], int]] = {
    "remove": _remove,
    "verify": _verify,
    "repair": _repair,
    "compact": _compact,
    "rebuild": _rebuild,
    "migrate": _migrate,
}
