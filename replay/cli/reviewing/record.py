"""Verify, export, move or restore the record of what people decided.

The record is a chain of entries that only grows: who, when, what, before and
after. `verify` looks at every entry and at the archive's copy; `move` begins
the record with what the archive's own tables hold, and may be run again;
`export` brings the copy up, or writes one Parquet file; `restore` builds the
database from the copy; `show` prints entries.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from replay.archive import open_archive
from replay.cli.output import iso, print_json, say
from replay.errors import UsageError
from replay.record import copies, open_record
from replay.record.proof import prove, restore
from replay.wording import counted


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument(
        "do", choices=("verify", "export", "move", "restore", "show"), help="what to do"
    )
    parser.add_argument("--head", metavar="SEQ:HASH", help="verify: an entry noted down earlier")
    parser.add_argument("--out", metavar="FILE", help="export: one Parquet file of all entries")
    parser.add_argument("--session", help="show: only the entries of this session")


def run(args: argparse.Namespace) -> int:
    """Do it."""
    archive = open_archive(args.archive)
    if args.do == "verify":
        return _verify(args)
    if args.do == "restore":
        count = restore(archive)
        return _said(
            args, {"restored": count}, f"restored {_entries(count)} from the archive's copy"
        )
    record = open_record(archive)
    if args.do == "move":
        moved = record.begin()
        seq, head = record.head()
        by_kind: dict[str, int] = {}
        for entry in record.entries():
            if "moved_from" in (entry.after or {}):
                by_kind[entry.kind] = by_kind.get(entry.kind, 0) + 1
        words = ", ".join(f"{n} of {kind}" for kind, n in sorted(by_kind.items())) or "nothing"
        return _said(
            args,
            {"moved": moved, "from_tables": by_kind, "entries": seq, "head": f"{seq}:{head}"},
            f"moved now: {moved}; on record from the archive's tables: {words}; {_entries(seq)}",
        )
    if args.do == "export":
        if args.out:
            path = Path(args.out)
            if path.suffix != ".parquet":
                raise UsageError(f"--out: {path.name!r}", todo="end it in .parquet")
            path.write_bytes(copies.parquet(record.entries()))
        record.begin()
        kept = record.copy()
        seq, _ = record.head()
        _said(args, {"entries": seq, "copied": kept}, f"{_entries(seq)}; the archive's copy is "
              + ("up to date" if kept else "behind: see above"))  # fmt: skip
        return 0 if kept else 1
    entries = record.entries(session=args.session)
    if args.json:
        print_json({"entries": entries})
        return 0
    for e in entries:
        where = f" {e.session}" if e.session else ""
        print(
            f"{e.seq:6d} {iso(e.at)} {e.who}: {e.kind} {e.subject}{where}: {e.what}  {e.hash[:12]}"
        )
    return 0


def _verify(args: argparse.Namespace) -> int:
    proof = prove(open_archive(args.archive), head=args.head)
    if args.json:
        print_json({"whole": proof.whole} | {k: getattr(proof, k) for k in proof.__slots__})
    else:
        for note in proof.notes:
            say(note)
        for damage in proof.damages:
            print(f"entry {damage.seq}: {damage.what}" if damage.seq else damage.what)
        damages = counted(len(proof.damages), "damage")
        print(f"{_entries(proof.entries)}, {damages}; head {proof.head}")
    return 0 if proof.whole else 1


def _entries(count: int) -> str:
    """Return how many entries the record has."""
    return counted(count, "entry", "entries")


def _said(args: argparse.Namespace, document: dict[str, object], words: str) -> int:
    if args.json:
        print_json(document)
    else:
        print(words)
    return 0
