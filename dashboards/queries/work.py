"""Long work that pages start: taking in, learning, checking, indexing motions.

Each function takes a job's ``step``, reports through it and is stopped by it,
and returns the sentence that the tray shows at the end.
"""

from __future__ import annotations

from collections.abc import Callable

from dashboards.jobs import Step
from dashboards.queries.intake import Batch, take
from replay.archive import Archive
from replay.cleaning import IngestResult
from replay.signals.motion.motions import index_motions
from replay.wording import counted


def take_in(
    archive: Archive, batch: Batch, maps: list[str], arm: str | None, step: Step
) -> IngestResult:
    """Take a batch's logs in and index the motions of what is new."""
    result = take(archive, batch, maps, arm, _said(step))
    index_motions(archive, [s.session for s in result.sessions], progress=_said(step, "motions of"))
    return result


def learn(archive: Archive, sessions: list[str] | None, rate: float, step: Step) -> str:
    """Learn a baseline from sessions (None: all)."""
    from replay.checks import learn as fit
    from replay.reviews.judgements.learning import confirmed, note_learning

    chosen = set(sessions or archive.sessions()["session"].to_list())
    left = [o for o in confirmed(archive) if o.session in chosen]
    baseline = fit(
        archive,
        sessions,
        false_flags_per_100h=rate,
        leave_out={(o.session, o.unit) for o in left},
        progress=_said(step),
    )
    if left:
        note_learning(archive, baseline.version, left, "jointbook dashboard")
    said = f"; {counted(len(left), 'unit')} with confirmed events left out" if left else ""
    return f"baseline {baseline.version} from {counted(len(baseline.sessions), 'session')}{said}"


def check(archive: Archive, sessions: list[str] | None, step: Step) -> str:
    """Check sessions (None: all) against the newest baseline; index their motions."""
    from replay.reviews.signing_off.rechecking import Difference, check_keeping

    names = sessions or archive.sessions()["session"].to_list()
    found = 0
    signed: list[Difference] = []
    for number, name in enumerate(names):
        step(number, len(names), f"session {number + 1} of {len(names)}")
        for result in check_keeping(archive, [name], on_signed=signed.append):
            found += len(result.flags)
    index_motions(archive, names, progress=_said(step, "motions of"))
    differ = sum(d.any for d in signed)
    said = f"; {len(signed)} signed ones compared, {differ} would differ" if signed else ""
    fresh = len(names) - len(signed)
    return f"{counted(found, 'flag')} in {counted(fresh, 'session')}{said}"


def index(archive: Archive, step: Step) -> str:
    """Index the motions of every session that is not indexed yet."""
    total = archive.sessions().height
    count = index_motions(archive, progress=_said(step, "motions of"))
    if not count:
        return f"looked at {counted(total, 'session')}: no motion was new"
    searched = counted(total, "session is", "sessions are")
    return f"motions of {counted(count, 'session')} added; {searched} searched now"


def _said(step: Step, before: str = "") -> Callable[[str, int, int], None]:
    def report(what: str, done: int, total: int) -> None:
        step(done, total or None, f"{before} {what}".strip())

    return report
