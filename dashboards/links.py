"""What a page shows, as the address in the browser says it.

Every state worth sending to a colleague is in the query string: ``session``,
``from`` and ``to`` (the visible window), ``at`` (the cursor), ``joints``,
``flag``. Instants are ISO 8601 UTC with up to nine decimals, because samples
keep nanoseconds. A page may add keys of its own; they travel in ``extra``.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from urllib.parse import parse_qsl, urlencode

_INSTANT = re.compile(r"(\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d)(?:\.(\d{1,9}))?(?:Z|\+00:00)?")
_INSTANTS = ("from", "to", "at", "from2", "to2", "mark")
_MOST_NS = 2**63 - 10**9
"""What 64 bits hold, to the second: years 1678 to 2262."""
_KNOWN = ("session", "from", "to", "at", "joints", "flag")


@dataclass(frozen=True, slots=True)
class View:
    """What is being looked at. Instants are nanoseconds since 1970, UTC."""

    session: str | None = None
    start_ns: int | None = None
    end_ns: int | None = None
    at_ns: int | None = None
    joints: tuple[str, ...] = ()
    flag: str | None = None
    extra: Mapping[str, str] = field(default_factory=dict)
    odd: tuple[tuple[str, str], ...] = ()
    """Words whose value could not be read, with that value: they are left out above."""


def read(search: str | None) -> View:
    """Return the view that a query string describes; nonsense is left out and named.

    >>> read("?session=s1&at=2031-03-01T00:00:00.5Z&joints=J1,J3").joints
    ('J1', 'J3')
    """
    words = dict(parse_qsl((search or "").lstrip("?")))
    instants = {k: words[k] for k in _INSTANTS if k in words}
    return View(
        session=words.get("session") or None,
        start_ns=parse_instant(words.get("from")),
        end_ns=parse_instant(words.get("to")),
        at_ns=parse_instant(words.get("at")),
        joints=tuple(j for j in words.get("joints", "").split(",") if j),
        flag=words.get("flag") or None,
        extra={k: v for k, v in words.items() if k not in _KNOWN},
        odd=tuple((k, v) for k, v in instants.items() if parse_instant(v) is None),
    )


def href(page: str, view: View | None = None, **extra: str) -> str:
    """Return the address of a page for a view, for `dcc.Link`.

    >>> href("event", View(session="s1", flag="f2"))
    '/event?session=s1&flag=f2'
    """
    view = view or View()
    words = {
        "session": view.session,
        "from": None if view.start_ns is None else instant(view.start_ns),
        "to": None if view.end_ns is None else instant(view.end_ns),
        "at": None if view.at_ns is None else instant(view.at_ns),
        "joints": ",".join(view.joints),
        "flag": view.flag,
        **view.extra,
        **extra,
    }
    kept = {k: v for k, v in words.items() if v}
    return f"/{page}" + (f"?{urlencode(kept, safe=':,')}" if kept else "")


def parse_instant(text: str | None) -> int | None:
    """Return nanoseconds since 1970 for an ISO instant that 64 bits hold, None for anything else.

    >>> parse_instant("1970-01-01T00:00:01.000000002Z"), parse_instant("0231-03-01T00:00:00Z")
    (1000000002, None)
    """
    found = _INSTANT.fullmatch((text or "").strip())
    if not found:
        return None
    try:
        whole = datetime.fromisoformat(found[1]).replace(tzinfo=UTC)
    except ValueError:
        return None
    ns = int(whole.timestamp()) * 1_000_000_000 + int((found[2] or "0").ljust(9, "0"))
    return ns if abs(ns) < _MOST_NS else None


def instant(ns: int) -> str:
    """Return an instant as ISO 8601 UTC with Z, decimals only where needed.

    >>> instant(1_500_000_000)
    '1970-01-01T00:00:01.5Z'
    """
    seconds, rest = divmod(int(ns), 1_000_000_000)
    text = datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%S")
    return text + (f".{rest:09d}".rstrip("0") if rest else "") + "Z"


def to_ns(moment: datetime) -> int:
    """Return nanoseconds since 1970 of a timezone-aware datetime."""
    delta = moment - datetime(1970, 1, 1, tzinfo=UTC)
    return (delta.days * 86_400 + delta.seconds) * 1_000_000_000 + delta.microseconds * 1000


def to_datetime(ns: int) -> datetime:
    """Return a UTC datetime (microseconds) of nanoseconds since 1970."""
    seconds, rest = divmod(int(ns), 1_000_000_000)
    return datetime.fromtimestamp(seconds, UTC).replace(microsecond=rest // 1000)
