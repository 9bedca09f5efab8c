"""Check again without touching what was signed.

The flags of a session that is signed stay as they were signed. A check with
another baseline is compared with them and put on record as a comparison.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from replay.archive import Archive
from replay.errors import JointbookError
from replay.record import Draft, open_record
from replay.record.closed import FIRST, SIGNED
from replay.records import Flag
from replay.reviews.findings import Finding, findings_of
from replay.reviews.signing_off.sign_offs import session_state, sign_off
from replay.wording import counted
from replay.workers import Each, in_turn

if TYPE_CHECKING:
    from replay.checks import CheckResult
    from replay.models import Baseline

KIND = "comparison"


@dataclass(frozen=True, slots=True)
class Difference:
    """What a later check would say of a signed session, beside what was signed.

    A finding of one check is the same as one of the other when they share a
    joint (or concern every joint) and touch in time.
    """

    session: str
    signed_baseline: str
    baseline: str
    same: tuple[Finding, ...]
    only_signed: tuple[Finding, ...]
    only_new: tuple[Finding, ...]

    @property
    def any(self) -> bool:
        """Whether there is a difference at all."""
        return bool(self.only_signed or self.only_new)

    def words(self) -> str:
        """Say it in a sentence."""
        head = f"against {self.baseline} instead of {self.signed_baseline}"
        if not self.any:
            return f"{head}, the same {counted(len(self.same), 'finding')}"

        def named(found: tuple[Finding, ...]) -> str:
            return ", ".join(f"{f.place} {f.kind} {f.start:%H:%M:%S}" for f in found) or "none"

        return (
            f"{head}: new would be {named(self.only_new)}; gone would be {named(self.only_signed)}"
        )


def difference(
    signed: Iterable[Finding], flags: Iterable[Flag], *, session: str, was: str, now: str
) -> Difference:
    """Compare signed findings with the flags of another check; pure."""
    old, new = list(signed), list(findings_of(flags))
    same = [f for f in new if any(_meet(f, o) for o in old)]
    return Difference(
        session,
        was,
        now,
        tuple(same),
        tuple(o for o in old if not any(_meet(f, o) for f in new)),
        tuple(f for f in new if f not in same),
    )


def check_keeping(
    archive: Archive,
    sessions: Iterable[str],
    baseline: Baseline | str | None = None,
    *,
    on_error: Callable[[str, JointbookError], None] | None = None,
    on_signed: Callable[[Difference], None] | None = None,
    each: Each = in_turn,
) -> Iterator[CheckResult]:
    """Check sessions as `replay.checks.check_all` does; signed ones are only compared.

    ``on_signed`` is told what would differ; it is put on record too.
    """
    from replay.checks import check, check_all
    from replay.models import load_baseline

    known = load_baseline(archive, baseline) if not hasattr(baseline, "version") else baseline
    names = list(sessions)
    kept = [n for n in names if session_state(archive, n) in (SIGNED, FIRST)]
    free = [n for n in names if n not in kept]
    for name in kept:
        try:
            result = check(archive, name, known, save=False)
        except JointbookError as error:
            if on_error is None:
                raise
            on_error(name, error)
            continue
        found = compared(archive, result)
        if on_signed is not None:
            on_signed(found)
    yield from check_all(archive, free, known, on_error=on_error, each=each)


def compared(archive: Archive, result: CheckResult) -> Difference:
    """Compare a check with what was signed, and put the comparison on record."""
    signed = sign_off(archive, result.session)
    assert signed is not None
    found = difference(
        signed.findings,
        result.flags,
        session=result.session,
        was=signed.statement.baseline,
        now=result.baseline,
    )
    open_record(archive).append(
        [
            Draft(
                kind=KIND,
                subject=result.session,
                session=result.session,
                what="compared",
                who="jointbook",
                after={
                    "signed_baseline": found.signed_baseline,
                    "baseline": found.baseline,
                    "same": len(found.same),
                    "only_signed": [f.finding for f in found.only_signed],
                    "only_new": [f.summary for f in found.only_new],
                    "words": found.words(),
                },
            )
        ]
    )
    return found


def comparisons(archive: Archive, session: str) -> tuple[str, ...]:
    """Return what later checks would have said, in words, since the session was last signed."""
    signed = sign_off(archive, session)
    if signed is None or signed.state == "reopened":
        return ()
    since = signed.signatures[-1].seq
    entries = open_record(archive).entries(KIND, session=session)
    return tuple(str((e.after or {}).get("words", "")) for e in entries if e.seq > since)


def _meet(one: Finding, other: Finding) -> bool:
    joints = not one.joints or not other.joints or bool(set(one.joints) & set(other.joints))
    return joints and one.start <= other.end and other.start <= one.end
