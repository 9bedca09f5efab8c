"""Take joint logs into the archive.

Sources are files, folders and globs. Without --map a log map is proposed from
names and data, and used only if every line that is needed is sure enough.
"""

from __future__ import annotations

import argparse
import glob
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from getpass import getuser
from pathlib import Path
from typing import Any

import orjson
import polars as pl

from replay.archive import Archive, open_archive
from replay.archive.completeness import per_cent
from replay.arm import Arm, doubts, load_arm, switched_off
from replay.cleaning import ROUTINE_KINDS, SET_ASIDE_KINDS, IngestResult, ingest, note_level
from replay.cleaning.folder_watcher import watch_folder
from replay.cleaning.ingest import find_sources
from replay.cli.main import EXIT_DONE, EXIT_SET_ASIDE
from replay.cli.output import Bar, each_once, plain, print_json, say
from replay.cli.who_works import add_workers, who_works
from replay.errors import UsageError
from replay.logs import LogMap, load_map
from replay.records import QualityNote, Session
from replay.wording import counted

BYTES_A_VALUE = 10
"""Of a log, about; it is judged by it whether several processes are worth it."""

LINES_OF_A_KIND = 8
"""So many notes of a kind are printed before the rest is only counted."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this verb's arguments."""
    parser.add_argument("sources", nargs="+", metavar="SOURCE", help="file, folder or glob")
    parser.add_argument(
        "--map",
        action="append",
        metavar="FILE",
        help="log map; give it several times for logs of several recorders",
    )
    parser.add_argument("--arm", metavar="FILE", help="arm file")
    parser.add_argument(
        "--replace",
        action="store_true",
        help="a log that is stored already is read anew, and takes its own place in one step",
    )
    parser.add_argument(
        "--watch",
        action="store_true",
        help="stay, and take in what appears in a folder once it stands still",
    )
    parser.add_argument(
        "--settle",
        type=float,
        default=5.0,
        metavar="S",
        help="seconds it must stand still (5); a text without an end of its last line, 12 times so",
    )
    add_workers(parser, elsewhere=False)  # logs are cleaned beside where they come to rest


def run(args: argparse.Namespace) -> int:
    """Run the verb."""
    for named in (*(args.map or ()), *([args.arm] if args.arm else ())):
        if not Path(named).is_file():
            raise UsageError("no such file", file=named)
    maps = [load_map(Path(m)) for m in args.map] if args.map else None
    arm = load_arm(Path(args.arm)) if args.arm else None
    args.sources = [path for source in args.sources for path in expanded(source)]
    if args.watch and (len(args.sources) != 1 or not Path(args.sources[0]).is_dir()):
        raise UsageError("--watch takes one folder", todo="jointbook ingest FOLDER --watch")
    files = find_sources(args.sources)  # raises for a name that is not there
    if not files and not args.watch:
        raise UsageError("no log in it", file=args.sources[0])
    archive = open_archive(args.archive, create=True)
    if args.watch:
        return _stay(archive, args, maps, arm)
    flags = archive.table("flags") if args.replace else None
    octets = sum(path.stat().st_size for path in files)
    with Bar() as bar, who_works(args, len(files), octets // BYTES_A_VALUE) as each:
        result = ingest(
            archive,
            args.sources,
            log_map=maps,
            arm=arm,
            progress=bar.show,
            replace_stored=args.replace,
            each=each,
        )
    if result.replaced:
        _withdraw(archive, result.replaced, flags)
    if args.json:
        print_json(as_document(result, arm))
    else:
        _speak(result, arm)
    return _exit_code(result)


def _withdraw(archive: Archive, replaced: Mapping[str, str], flags: pl.DataFrame | None) -> None:
    # loading what knows of verdicts takes longer than reading a log
    from replay.reviews.withdrawal import withdraw

    for new, old in replaced.items():
        withdraw(
            archive, old, who=getuser(), why="read anew with --replace", instead=new, flags=flags
        )


def expanded(source: str) -> list[str]:
    """Return the files that a pattern of the command line stands for; a name that is there wins."""
    if Path(source).exists() or not glob.has_magic(source):
        return [source]
    found = sorted(p for p in glob.glob(source, recursive=True) if Path(p).is_file())
    return found or [source]


def _exit_code(result: IngestResult) -> int:
    dropped = any(n.kind in SET_ASIDE_KINDS for s in result.sessions for n in s.quality)
    return EXIT_SET_ASIDE if result.refused or dropped else EXIT_DONE


def _stay(
    archive: Archive, args: argparse.Namespace, maps: list[LogMap] | None, arm: Arm | None
) -> int:
    """Watch one folder until the user stops it; one JSON line for each batch."""
    say(f"watching {args.sources[0]}; stop with Ctrl-C")
    worst = EXIT_DONE
    try:
        for result in watch_folder(
            archive, args.sources[0], settle_s=args.settle, log_map=maps, arm=arm
        ):
            worst = max(worst, _exit_code(result))
            if args.json:
                print(orjson.dumps(plain(as_document(result, arm))).decode(), flush=True)
            else:
                _speak(result, arm)
    except KeyboardInterrupt:
        say("stopped")
    return worst


def as_document(result: IngestResult, arm: Arm | None = None) -> dict[str, Any]:
    """Return the JSON document of an ingest."""
    return {
        "sessions": [session_document(s) for s in result.sessions],
        "refused": result.refused,
        "unchanged": result.unchanged,
        "mended": result.mended,
        "replaced": result.replaced,
        "proposed_maps": result.proposed,
        "arm_switched_off": [] if arm is None else switched_off(arm),
        "arm_doubts": [] if arm is None else doubts(arm),
    }


def session_document(session: Session) -> dict[str, Any]:
    """Return what scripts are told of one new session."""
    return {
        "session": session.session,
        "source": session.source,
        "arm": session.arm,
        "rows": session.rows,
        "start": session.start,
        "end": session.end,
        "joints": session.joints,
        "units": {joint: session.unit(joint) for joint in session.joints},
        "channels": session.channels,
        "rate_hz": session.rate_hz,
        "completeness": session.completeness,
        "quality": [{**asdict(n), "level": note_level(n)} for n in session.quality],
        "switched_off": session.switched_off,
    }


def note_lines(notes: Sequence[QualityNote]) -> list[str]:
    """Return what a person reads of a session's notes.

    Of a kind that says much, the first lines and how many more there are; of
    routine changes one line a kind, after all others. JSON has them all.
    """
    lines: list[str] = []
    for kind in sorted(dict.fromkeys(n.kind for n in notes), key=ROUTINE_KINDS.__contains__):
        mine = [n for n in notes if n.kind == kind]
        shown = mine[: 1 if kind in ROUTINE_KINDS else LINES_OF_A_KIND]
        lines += [f"{kind}: {n.joint or ''} {n.detail}".replace(":  ", ": ") for n in shown]
        if len(mine) > len(shown):
            more = f"and {len(mine) - len(shown)} more like it"
            if kind in ROUTINE_KINDS:
                lines[-1] += f"; {more}"
            else:
                lines.append(f"{kind}: {more}, all of them with --json")
    return lines


_SAME = "nothing changed"


def _speak(result: IngestResult, arm: Arm | None = None) -> None:
    for session in result.sessions:
        whole = (
            ""
            if session.completeness is None
            else f", {per_cent(session.completeness, 1)} complete"
        )
        print(f"{session.session}  {counted(session.rows, 'row')}{whole}  from {session.source}")
        for line in note_lines(session.quality):
            say(f"  {line}")
    off = ((s.session, f"off: {line}") for s in result.sessions for line in s.switched_off)
    for line in each_once(off):
        say(line)
    for line in [] if arm is None else doubts(arm):
        say(f"doubtful in the arm file: {line}")
    for line in [] if arm is None else switched_off(arm):
        say(f"off, by the arm file: {line}")
    for new, old in result.replaced.items():
        print(f"{new}  took the place of {old}, whose flags are kept on record as withdrawn")
    for name in result.unchanged:
        mended = "its stored log was damaged and is whole again"
        print(f"{name}  was there already, {mended if name in result.mended else _SAME}")
    for line in result.proposed:
        say(f"read with a proposed log map: {line}")
    for refusal in result.refused:
        say(f"refused {refusal.source}: {refusal.reason}")
