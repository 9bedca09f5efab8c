"""Make a bundle: gather, list, sign, write at once, and verify what was written."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from replay.archive import Archive
from replay.digests import file_digest
from replay.reports.bundle import container, manifest, signature
from replay.reports.bundle.contents import Part, parts
from replay.reports.bundle.manifest import Listed
from replay.reports.bundle.readme import readme
from replay.reports.bundle.verifying import Verified, verify_bundle
from replay.reports.provenance import digest
from replay.reviews import Finding
from replay.reviews.finding_search import find


@dataclass(frozen=True, slots=True)
class Made:
    """A bundle that was written; ``sha256`` of the file is worth noting elsewhere."""

    path: Path
    sha256: str
    size: int
    notes: tuple[str, ...]
    verified: Verified | None


def make_bundle(
    archive: Archive,
    session: str,
    out: Path,
    *,
    finding: str | None = None,
    key: Path | None = None,
    password: bytes | None = None,
    verify: bool = True,
    progress: Callable[[str], None] | None = None,
) -> Made:
    """Write an evidence bundle of a session, or of one of its findings.

    Parameters
    ----------
    archive : Archive
    session : str
    out : Path
        The file to write, or a folder to write it to under a name of its own.
    finding : str, optional
        A finding's name, or that of one of its flags.
    key : Path, optional
        An Ed25519 private key (PEM) to sign the manifest with.
    password : bytes, optional
        Of the key.
    verify : bool
        Verify what was written, which computes the flags again.
    progress : callable, optional
        Told what is being done.

    Returns
    -------
    Made
        Where the bundle is, and what it holds.

    Raises
    ------
    UsageError
        The session was not checked, has no such finding, or the key is none.
    BundleError
        Its baseline has gone.
    """
    tell = progress or (lambda _: None)
    subject: Finding | None = None if finding is None else find(archive, session, finding)
    archive.session(session)
    private = None if key is None else signature.private_key(key, password)
    target = out / f"{_name(session, subject)}.zip" if out.is_dir() else out
    notes: list[str] = []
    with tempfile.TemporaryDirectory(prefix=".bundle-", dir=target.parent) as scratch:
        folder = Path(scratch)
        tell("gathering")
        gathered = sorted(parts(archive, session, subject, folder, notes), key=lambda p: p.name)
        files = {p.name: _listed(p) for p in gathered}
        said = manifest.made(session, subject.finding if subject else None, files, tuple(notes))
        words = readme(said, signed=key is not None)
        said.files[manifest.README] = Listed(digest(words), len(words), "what this is")
        text = manifest.text_of(said)
        first: list[tuple[str, container.Content]] = [
            (manifest.README, words),
            (manifest.NAME, text),
        ]
        if private is not None:
            first.append((manifest.SIGNATURE, signature.signature(text, private)))
        tell("writing")
        temporary = folder / "made.zip"
        container.write(temporary, [*first, *((p.name, p.content) for p in gathered)])
        container.replaced(temporary, target)
    verified = None
    if verify:
        tell("verifying")
        verified = verify_bundle(target)
    return Made(target, file_digest(target), target.stat().st_size, tuple(notes), verified)


def _listed(part: Part) -> Listed:
    if isinstance(part.content, bytes):
        return Listed(digest(part.content), len(part.content), part.about)
    return Listed(file_digest(part.content), part.content.stat().st_size, part.about)


def _name(session: str, subject: Finding | None) -> str:
    return f"evidence-{session}" + (f"-{subject.finding}" if subject else "")
