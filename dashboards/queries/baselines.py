"""The baseline that the pages compare with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from dashboards.failure_words import failure_text
from replay.archive import Archive
from replay.errors import BaselineError
from replay.wording import counted

if TYPE_CHECKING:
    from replay.models import Baseline
    from replay.records import Session


def newest(archive: Archive) -> tuple[Baseline | None, str]:
    """Return the newest baseline, or None and why there is none.

    It is read once for as long as its file stays as it is: every window of the derived
    channels asks for it, and to read it takes longer than the window.
    """
    from replay.models import newest_stamp  # loads scikit-learn: not before it is needed

    stamp = newest_stamp(archive)
    kept = archive.attached.get(KEPT)
    if not isinstance(kept, _Kept) or kept.stamp != stamp:
        kept = archive.attached[KEPT] = _Kept(stamp, *_read(archive))
    return kept.baseline, kept.why


KEPT = "newest baseline"


@dataclass(frozen=True, slots=True)
class _Kept:
    stamp: tuple[str, tuple[int, ...]] | None
    baseline: Baseline | None
    why: str


def _read(archive: Archive) -> tuple[Baseline | None, str]:
    from replay.models import load_baseline

    try:
        return load_baseline(archive), ""
    except BaselineError as error:
        return None, failure_text(error)
    except (KeyError, TypeError, ValueError) as error:  # written by another version
        return None, f"The newest baseline cannot be read ({error!r}); learn again."


def not_judged(archive: Archive, sessions: Sequence[Session]) -> dict[str, str]:
    """Return by session why a check would judge nothing of it, and what to do instead.

    A session of which the newest baseline knows one unit at least is not in it.
    """
    base, _ = newest(archive)
    said = {}
    for record in sessions:
        if base is not None and any(record.unit(j) in base.units for j in record.joints):
            continue
        why = (
            "there is no baseline to check it by"
            if base is None
            else f"baseline {base.version} knows no unit of arm {record.arm!r}"
        )
        said[record.session] = (
            f"Not to be checked yet: {why}. Choose sound sessions of this arm in the list and "
            "learn from them; then check."
        )
        if base is not None and not record.arm_toml:
            said[record.session] += (
                " If it is an arm that the baseline knows under another name, its arm file was "
                "not chosen when the log was taken in."
            )
    return said


def kept_word(archive: Archive, baseline: Baseline) -> pl.DataFrame:
    """Return asked beside observed rates on the sessions that the fits left out."""
    from replay.checks import calibration

    return calibration(archive, baseline).select(
        "nominal", "observed", "low", "high", "events", "joint_hours"
    )


def promise_of(baseline: Baseline) -> str:
    """Return what the baseline promises about false flags, in a sentence."""
    from replay.checks import promise

    return promise.sentence(baseline)


def doubts(archive: Archive, baseline: Baseline) -> list[str]:
    """Return what is to be said where sessions taught it in which something is not cleared."""
    from replay.reviews.judgements.learning import taught_in_doubt

    count = len(taught_in_doubt(archive, baseline.sessions))
    if not count:
        return []
    has = "has findings" if count == 1 else "have findings"
    return [
        f"{count} of the {counted(len(baseline.sessions), 'session')} that taught it {has} "
        "that are open or were confirmed: what was unusual there passes for usual now, "
        "and what they show counts among the observed flags. Decide them, then learn anew: what "
        "is confirmed is left out"
    ]


def by_verdict(archive: Archive) -> pl.DataFrame:
    """Return the false flags that people found, beside the rate asked, one row a baseline."""
    from replay.reviews.judgements.learning import observed_false_flags

    return observed_false_flags(archive).select(
        "baseline", "asked", "observed", "low", "high", "false_findings", "joint_hours",
        "sessions", "open_sessions", "decided_findings",
    )  # fmt: skip


def units_of(baseline: Baseline) -> pl.DataFrame:
    """Return per unit its hours, how many sessions taught it, and what was set aside."""
    return pl.DataFrame(
        [
            (name, float(unit.hours), len(unit.sessions), ", ".join(unit.set_aside))
            for name, unit in sorted(baseline.units.items())
        ],
        schema={
            "unit": pl.String,
            "hours": pl.Float64,
            "sessions": pl.Int64,
            "set_aside": pl.String,
        },
        orient="row",
    )


def facts_of(baseline: Baseline) -> pl.DataFrame:
    """Return what is known of each unit in the field's terms: figure, error, unit."""
    from replay.models.facts import facts_of as of_unit

    return pl.DataFrame(
        [
            (name, f.what, f.value, f.error, f.unit)
            for name, unit in sorted(baseline.units.items())
            for f in of_unit(unit)
        ],
        schema={
            "unit": pl.String,
            "what": pl.String,
            "value": pl.Float64,
            "standard_error": pl.Float64,
            "in": pl.String,
        },
        orient="row",
    ).with_columns(pl.col("value", "standard_error").fill_nan(None))


def not_in_the_drawing(base: Baseline | None, record: Session) -> list[str]:
    """Return what checks know of a session's load that the expected current drawn leaves out.

    A check estimates it from the whole session; for a window that is too dear, so the pages draw
    the law on the load as it was declared, and say so.
    """
    if base is None:
        return []
    model = base.model
    said = []
    names = {name for of_stream in record.channels.values() for name in of_stream}
    declared = "payload_kg" in names or record.payload_kg is not None
    if not declared and any(unit.payload_scale_kg > 1e-6 for unit in model.units.values()):
        said.append(
            "No column declares a load: checks estimate it from the whole session's motion, the "
            "expected current drawn takes the arm for empty. Beside a flag the two can differ."
        )
    if model.grip.known and (declared and record.payload_kg != 0):
        said.append(
            "Checks estimate within the session what a payload weighs and where its mass centre "
            "lies; the expected current drawn takes both as they were declared. While something "
            "is carried the two can differ: a flag rests on the estimate."
        )
    return said
