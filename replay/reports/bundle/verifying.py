"""Verify a bundle with nothing but the program: bytes, signature, history, flags.

What is wrong is told, all of it, and nothing in a damaged bundle is computed
with. The flags are computed again in an archive of its own that is made from
the bundle, and thrown away.
"""

from __future__ import annotations

import io
import json
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from replay.digests import file_digest
from replay.errors import JointbookError, first_line
from replay.record.entries import chained
from replay.reports.bundle import container, manifest, signature
from replay.reports.bundle.container import BundleError, Members
from replay.reports.bundle.flag_text import differences, flag_rows
from replay.reports.bundle.manifest import Manifest
from replay.reports.bundle.rebuilding import cleaned_differs, recheck
from replay.reports.bundle.signature import Signed
from replay.reports.provenance import surroundings

SAME, DIFFER, NOT_DONE = "same", "differ", "not computed"


@dataclass(frozen=True, slots=True)
class Verified:
    """What a look at a bundle found.

    ``flags`` says whether the flags computed now are those kept, to the bit,
    and ``cleaned`` whether the cleaned samples follow from the log as it came:
    same, differ, or not computed; ``differences`` and ``notes`` say how and why.
    """

    path: Path
    sha256: str
    manifest: Manifest
    damages: tuple[str, ...]
    signed: Signed | None
    entries: int
    flags: str
    cleaned: str
    differences: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def whole(self) -> bool:
        """Whether no byte was found changed."""
        return not self.damages

    @property
    def holds(self) -> bool:
        """Whether it is whole and its flags are the same when computed again."""
        return self.whole and self.flags == SAME and self.cleaned != DIFFER


def verify_bundle(
    path: Path,
    *,
    key: Path | None = None,
    compute: bool = True,
    progress: Callable[[str], None] | None = None,
) -> Verified:
    """Verify a bundle.

    Parameters
    ----------
    path : Path
    key : Path, optional
        The public key (PEM) that must have signed it.
    compute : bool
        False leaves the flags alone and looks at bytes, signature and history.
    progress : callable, optional
        Told what is being done.

    Returns
    -------
    Verified
        What held, and what did not.

    Raises
    ------
    BundleError
        The file is no bundle, was cut short, or could do harm when unpacked.
    UsageError
        The key cannot be read.
    """
    tell = progress or (lambda _: None)
    with container.members(path) as found:
        tell("comparing digests")
        text = found.read(manifest.NAME, most=manifest.MOST_BYTES)
        said = manifest.read(text)
        damages = _damaged_files(found, said)
        odd = container.odd_bytes(path, found)
        damages += [odd] if odd else []
        signed = _signature(found, text, key, damages)
        entries = 0
        if not damages:
            damages += _attempt("a look at the record", lambda: _broken_history(found))
        if not damages:
            entries = len(_entries(found))
        flags = cleaned = NOT_DONE
        unlike: list[str] = []
        notes: list[str] = []
        if damages:
            notes.append("nothing is computed from a damaged bundle")
        elif compute:
            tell("computing the flags again")
            unlike = _attempt("the check", lambda: _flags(found))
            flags = DIFFER if unlike else SAME
            if "raw/raw.json" in found.names:
                tell("reading the log as it came")
                more = _attempt("reading the log as it came", lambda: _cleaned(found))
                cleaned = DIFFER if more else SAME
                unlike += more
            here = surroundings()
            other = [k for k, v in said.made_with.items() if here.get(k) != v]
            if other:
                notes.append(
                    "made with other versions: "
                    + ", ".join(f"{k} {said.made_with[k]}, here {here.get(k)}" for k in other)
                )
    return Verified(
        path, file_digest(path), said, tuple(damages), signed, entries, flags, cleaned,
        tuple(unlike), tuple(notes),
    )  # fmt: skip


def _damaged_files(found: Members, said: Manifest) -> list[str]:
    own = {manifest.NAME, manifest.SIGNATURE}
    there = {n for n in found.names if n not in own}
    damages = [f"{n!r} is missing" for n in sorted(said.files.keys() - there)]
    damages += [f"{n!r} is in no manifest" for n in sorted(there - said.files.keys())]
    for name in sorted(there & said.files.keys()):
        if found.sha256(name) != said.files[name].sha256:
            damages.append(f"{name!r} is not what was put in")
    return damages


def _signature(found: Members, text: bytes, key: Path | None, damages: list[str]) -> Signed | None:
    if manifest.SIGNATURE not in found.names:
        if key is not None:
            damages.append("it is not signed")
        return None
    try:
        signed = signature.look(text, found.read(manifest.SIGNATURE, most=10_000), key)
    except BundleError as error:
        damages.append(error.sentence())
        return None
    if key is not None and not signed.known:
        damages.append(f"it is signed with another key, {signed.fingerprint}")
    elif not signed.good:
        damages.append("the signature is not of this manifest")
    return signed


def _entries(found: Members) -> list[dict[str, Any]]:
    return pl.read_parquet(io.BytesIO(found.read("record/entries.parquet"))).to_dicts()


def _broken_history(found: Members) -> list[str]:
    """Compare every entry's hash with its content, and rising numbers with the chain."""
    broken = []
    before: dict[str, Any] | None = None
    for row in _entries(found):
        if chained(row) != row["hash"]:
            broken.append(f"entry {row['seq']} of the record is not what was put on record")
        if before is not None and (
            row["seq"] <= before["seq"]
            or (row["seq"] == before["seq"] + 1 and row["previous"] != before["hash"])
        ):
            broken.append(f"entry {row['seq']} of the record does not follow {before['seq']}")
        before = row
    return broken


def _flags(found: Members) -> list[str]:
    """Compute the flags again; say how they differ from those kept."""
    kept = json.loads(found.read("flags.json"))
    check = json.loads(found.read("check.json"))
    with tempfile.TemporaryDirectory(prefix="jointbook-") as folder:
        result = recheck(found, Path(folder), check["baseline"])
    unlike = differences(kept, flag_rows(result.flags))
    for name in ("joint_hours", "expected_false_flags"):
        if getattr(result, name) != check[name]:
            unlike.append(f"{name}: {check[name]!r} kept, {getattr(result, name)!r} now")
    return unlike


def _cleaned(found: Members) -> list[str]:
    """Read the log as it came once more; say how the samples differ from those kept."""
    with tempfile.TemporaryDirectory(prefix="jointbook-") as folder:
        return cleaned_differs(found, Path(folder))


def _attempt(what: str, work: Callable[[], list[str]]) -> list[str]:
    """Return what work says, or why it could not be done: a forged file may hold anything."""
    try:
        return work()
    except JointbookError as error:
        return [f"{what} cannot be done: {error.sentence()}"]
    except (KeyboardInterrupt, SystemExit):
        raise
    except BaseException as error:
        return [f"{what} cannot be done: {type(error).__name__}: {first_line(error)}"]
