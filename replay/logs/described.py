"""A packet description travels inside the log map that names it."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from replay.errors import LogMapError


def with_description(data: dict[str, Any], text: str, file: object) -> str:
    """Put the packet description into the map's own text, so that it travels with it.

    Parameters
    ----------
    data : dict
        The ``packets`` table; ``xtce_text`` is added to it.
    text : str
        The map's TOML.
    """
    given = data.pop("xtce", None)
    if given is None:
        return text
    base = Path(str(file)).parent if file is not None else Path()
    try:
        described = (base / str(given)).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise LogMapError(f"packets.xtce: cannot read {given}: {error}", file=file) from None
    if "'''" in described:
        raise LogMapError("packets.xtce: three quotes in a row in the description", file=file)
    data["xtce_text"] = described
    return re.sub(
        r"(?m)^\s*xtce\s*=.*$", lambda _: f"xtce_text = '''\n{described}'''", text, count=1
    )
