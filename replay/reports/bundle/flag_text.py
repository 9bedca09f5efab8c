"""Flags as text that is equal when they are the same to the last bit."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

from replay.records import Flag
from replay.reviews.signing_off.statements import flag_text
from replay.wording import counted


def flag_rows(flags: Iterable[Flag]) -> list[dict[str, Any]]:
    """Return flags as plain rows, in an order of their own.

    Numbers keep every digit: Python writes the shortest text that reads back
    as the same 64 bits.
    """
    return [json.loads(text) for text in sorted(flag_text(f) for f in flags)]


def differences(kept: list[dict[str, Any]], now: list[dict[str, Any]]) -> list[str]:
    """Say how the flags of a bundle differ from those computed now; empty when they do not."""
    mine = {row.get("flag", ""): row for row in kept}
    other = {row.get("flag", ""): row for row in now}
    said = [f"flag {n} is in the bundle and is not found now" for n in mine if n not in other]
    said += [f"flag {n} is found now and is not in the bundle" for n in other if n not in mine]
    for name in mine.keys() & other.keys():
        keys = sorted(mine[name].keys() | other[name].keys())
        unlike = [k for k in keys if _text(mine[name].get(k)) != _text(other[name].get(k))]
        if unlike:
            pairs = [f"{k}: {mine[name].get(k)!r} kept, {other[name].get(k)!r} now" for k in unlike]
            said.append(f"flag {name} differs in {'; '.join(pairs)}"[:500])
    if not said and len(kept) != len(now):
        said.append(f"{counted(len(kept), 'flag')} kept, {len(now)} now")
    return sorted(said)


def _text(value: Any) -> str:
    return json.dumps(value, sort_keys=True)
