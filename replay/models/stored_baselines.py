"""Baselines in an archive: saved under versions of their own, listed, loaded."""

from __future__ import annotations

import hashlib

import orjson

from replay.archive import Archive
from replay.errors import BaselineError
from replay.models.baseline import Baseline
from replay.models.plain import to_plain

FOLDER = "baselines"


def save_baseline(archive: Archive, baseline: Baseline) -> Baseline:
    """Store a baseline under a version of its own, the latest from now on.

    Content that the latest has already is not stored again; that of an older
    one is, so that whoever learns it again also gets it used.

    Parameters
    ----------
    archive : Archive
    baseline : Baseline
        What was learned; its own version is not looked at.

    Returns
    -------
    Baseline
        As it is read back.
    """
    content = orjson.dumps(
        to_plain(baseline.content()), option=orjson.OPT_SORT_KEYS | orjson.OPT_SERIALIZE_NUMPY
    )
    digest = hashlib.sha256(content).hexdigest()[:8]
    present = list_versions(archive)
    if present and present[-1].endswith(f"-{digest}"):
        return load_baseline(archive, present[-1])
    number = max((int(v[1:].split("-")[0]) for v in present), default=0) + 1
    version = f"b{number}-{digest}"
    document = orjson.loads(content) | {
        "version": version,
        "made_at": baseline.made_at.isoformat(),
    }
    archive.write_document(
        f"{FOLDER}/{version}.json", orjson.dumps(document, option=orjson.OPT_SORT_KEYS)
    )
    return load_baseline(archive, version)


def list_versions(archive: Archive) -> list[str]:
    """Return the versions of all stored baselines, oldest first.

    Parameters
    ----------
    archive : Archive

    Returns
    -------
    list of str
    """
    names = [
        d.rsplit("/", 1)[-1].removesuffix(".json")
        for d in archive.documents(FOLDER)
        if d.endswith(".json")
    ]
    return sorted(names, key=lambda v: int(v[1:].split("-")[0]))


def load_baseline(archive: Archive, version: str | None = None) -> Baseline:
    """Return a stored baseline, the latest by default.

    Parameters
    ----------
    archive : Archive
    version : str, optional

    Returns
    -------
    Baseline

    Raises
    ------
    BaselineError
        There is none, none of that version, or another program wrote it.
    """
    present = list_versions(archive)
    if not present:
        raise BaselineError("no baseline yet", todo="run `jointbook learn` first")
    wanted = version or present[-1]
    if wanted not in present:
        raise BaselineError(f"no baseline {wanted!r}", todo=f"there are: {', '.join(present)}")
    return Baseline.from_plain(orjson.loads(archive.read_document(f"{FOLDER}/{wanted}.json")))


def newest_stamp(archive: Archive) -> tuple[str, tuple[int, ...]] | None:
    """Return what changes when the latest baseline does: who keeps it asks for this first.

    Parameters
    ----------
    archive : Archive

    Returns
    -------
    tuple or None
        Its version, and the times of writing of its file; None where there is no baseline.
    """
    present = list_versions(archive)
    if not present:
        return None
    return present[-1], archive.document_stamp(f"{FOLDER}/{present[-1]}.json")


def readable_baseline(archive: Archive, version: str) -> Baseline | None:
    """Return a baseline, None where there is none or an older program wrote it.

    Parameters
    ----------
    archive : Archive
    version : str
        Empty for none.

    Returns
    -------
    Baseline or None
    """
    try:
        return load_baseline(archive, version) if version else None
    except BaselineError:
        return None
