"""What a bundle says to somebody who has never heard of this program."""

from __future__ import annotations

from replay.reports.bundle.manifest import NAME, SIGNATURE, Manifest
from replay.reports.cautions import ADVICE


def readme(manifest: Manifest, *, signed: bool) -> bytes:
    """Return a bundle's README in plain words."""
    subject = f"session {manifest.session}"
    if manifest.finding is not None:
        subject = f"finding {manifest.finding} of {subject}"
    width = max(map(len, manifest.files), default=0)
    lines = [
        f"Evidence for {subject}",
        "",
        "A robot arm's log was read, cleaned, and judged by a computer program, jointbook",
        f"{manifest.made_with['jointbook']}. People looked at what it found and decided. This file "
        "holds all",
        f"that their decision rests on, as it was on {manifest.made_at}.",
        "",
        ADVICE,
        "",
        "What is in it",
        "-------------",
        *(f"{name:<{width}}  {f.about}" for name, f in sorted(manifest.files.items())),
        f"{NAME:<{width}}  the SHA-256 of each of these files",
    ]
    if signed:
        lines.append(f"{SIGNATURE:<{width}}  an Ed25519 signature under {NAME}")
    lines += [
        "",
        "How to tell that nothing was changed, and that the flags follow from the log",
        "---------------------------------------------------------------------------",
        "With the program, and nothing else:",
        "",
        "    jointbook bundle verify FILE",
        "",
        "It compares each file's digest and the container byte by byte, looks at the hashes of the",
        "decisions, reads the log as it came once more, computes all flags again, and says whether "
        "they",
        "are the same to the last bit. With --key PUBLIC.pem it also asks for the signature of "
        "that key.",
        f"Without the program: unpack it, and compare `sha256sum` of each file with {NAME}.",
        "",
        "What it does not tell",
        "---------------------",
        "Whether the log is what the arm did: only that this is the log the program was given.",
        "Without a signature, whether somebody made a whole new bundle: compare the SHA-256 of "
        "this file",
        "with one that was noted when it was made, or ask for the signature.",
        "To the last bit is only promised with the same versions of the libraries:",
        *(f"    {k} {v}" for k, v in manifest.made_with.items()),
    ]
    if manifest.notes:
        lines += ["", "What is missing", "---------------", *manifest.notes]
    return ("\n".join(lines) + "\n").encode()
