"""Raw cells of one channel become our values: sentinels, units, words.

Values are replaced by null or converted, never repaired; each kind of change
is counted with the rows and times it touched.

Longer than 245 lines because a cell's value is settled in one order: sentinel, word, number,
unit.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from replay.logs import scales
from replay.logs.bind import Binding
from replay.logs.maps import JOINT_KEYS, SESSION_KEYS
from replay.logs.words import dictionary

SENTINELS: tuple[float, ...] = (
    -999.0, -9999.0, -99999.0, -999999.0, -999.9, -9999.9, 9999.0, 99999.0, 999999.0, 9999.9,
    32767.0, -32768.0, 65535.0, 2147483647.0, -2147483648.0,
)  # fmt: skip
"""Numbers that recorders write for "no value" (common practice, no source).
Taken as such only where they lie far outside what the channel otherwise says."""
HUGE = 1e30
NO_VALUE_WORDS = frozenset(
    {"err", "error", "nan", "null", "none", "n/a", "na", "-", "--", "bad", "invalid", "inf",
     "-inf", "#n/a", "#value!", "fault", "nil", "missing", "?"}
)  # fmt: skip
_KEPT_WORDS = 1000
_FEW_WORDS = 8


@dataclass(slots=True)
class ChannelPlan:
    """How one channel is read, and what was met while reading it."""

    name: str
    joint: str | None
    column: str
    quantity: str
    number: bool
    factor: float = 1.0
    offset: float = 0.0
    unit: str | None = None
    linear: bool = False
    own_sentinels: tuple[float, ...] = ()
    typical: float = math.inf
    """Beyond ``3 * typical + 10`` a sentinel is believed to be one."""
    words: dict[str, bool | str] | None = None
    spelt: dict[str, bool | str] = field(default_factory=dict)
    """Words exactly as the log spells them, as far as they were met."""
    swap: str | None = None
    """Channel that this one is while end B is the base, with its sign."""
    swap_sign: float = 1.0
    sentinel_counts: Counter[str] = field(default_factory=Counter)
    text_counts: Counter[str] = field(default_factory=Counter)
    text_first_row: int | None = None
    nulls: int = 0

    @property
    def dtype(self) -> pl.DataType:
        """Type of the channel in a stream."""
        if self.number:
            return pl.Float64()
        return pl.String() if self.quantity in ("base_end", "phase") else pl.Boolean()

    def quick(self, column: pl.Series) -> pl.Series | None:
        """Read cells among which nothing is odd; None when a closer look is due."""
        if self.number:
            return self._quick_number(column)
        if column.dtype == pl.String and self.dtype == pl.Boolean:
            return self._quick_word(column)
        return None

    def _quick_number(self, column: pl.Series) -> pl.Series | None:
        if column.dtype != pl.Float64 or self.own_sentinels:
            return None
        cells = (column.drop_nulls() if column.null_count() else column).to_numpy()
        far = min(3.0 * self.typical + 10.0, HUGE)
        # a NaN is the least and the greatest of its block, and no comparison with it holds
        if len(cells) and not (cells.min() >= -far and cells.max() <= far):
            return None
        value = column * self.factor if self.factor != 1.0 else column
        return value + self.offset if self.offset else value

    def _quick_word(self, column: pl.Series) -> pl.Series | None:
        """Compare with the few spellings met before: far quicker than a look-up."""
        if not 0 < len(self.spelt) <= _FEW_WORDS:
            return None
        told: pl.Series | None = None
        left = len(column) - column.null_count()
        for word, meaning in self.spelt.items():
            same = column == word
            left -= int(same.sum())
            if meaning:
                told = same if told is None else told | same
        if left:
            return None
        return same & False if told is None else told

    def read(self, column: pl.Series, rows: np.ndarray, decimal_comma: bool) -> pl.Series:
        """Turn raw cells into values; what is no value becomes null."""
        if self.number:
            return self._numbers(column, rows, decimal_comma)
        return self._words(column, rows)

    def _numbers(self, column: pl.Series, rows: np.ndarray, decimal_comma: bool) -> pl.Series:
        if column.dtype in (pl.Boolean, pl.Null) or column.dtype.is_numeric():
            values = column.cast(pl.Float64)
        else:
            values = self._from_text(column.cast(pl.String), rows, decimal_comma)
        values = self._without_sentinels(values)
        self.nulls += values.null_count()
        if self.factor != 1.0:
            values = values * self.factor
        return values + self.offset if self.offset else values

    def _from_text(self, text: pl.Series, rows: np.ndarray, decimal_comma: bool) -> pl.Series:
        text = text.str.strip_chars(" \t\"'")
        if decimal_comma:
            text = text.str.replace(",", ".", literal=True)
        values = text.cast(pl.Float64, strict=False)
        bad = values.is_null() & text.is_not_null() & (text != "")
        if bad.any():
            where = bad.arg_true()
            for word, count in text.gather(where).value_counts().iter_rows():
                if word.lower() in NO_VALUE_WORDS:
                    self.sentinel_counts[word] += count
                elif len(self.text_counts) < _KEPT_WORDS or word in self.text_counts:
                    self.text_counts[word[:40]] += count
                    if self.text_first_row is None:
                        self.text_first_row = int(rows[int((text == word).arg_true()[0])])
        return values

    def _without_sentinels(self, values: pl.Series) -> pl.Series:
        low, high = values.min(), values.max()
        odd = values.is_nan().any() or values.is_infinite().any()
        far = 3.0 * self.typical + 10.0
        reach = max(abs(float(low or 0.0)), abs(float(high or 0.0)))  # type: ignore[arg-type]
        if not odd and not self.own_sentinels and not reach > far:
            return values
        array = values.to_numpy()
        mask = ~np.isfinite(array) & values.is_not_null().to_numpy()
        self.sentinel_counts["NaN or infinite"] += int(mask.sum())
        candidates = [s for s in SENTINELS if abs(s) > far]
        for sentinel in (*candidates, *self.own_sentinels):
            hit = array == sentinel
            if hit.any():
                self.sentinel_counts[f"{sentinel:g}"] += int(hit.sum())
                mask |= hit
        huge = np.abs(array) >= HUGE
        huge &= ~mask
        if huge.any():
            self.sentinel_counts["1e30 and more"] += int(huge.sum())
            mask |= huge
        if not mask.any():
            return values
        return pl.select(pl.when(~pl.Series(mask)).then(values)).to_series()

    def _words(self, column: pl.Series, rows: np.ndarray) -> pl.Series:
        if column.dtype == pl.Boolean and self.words is not None:
            text = column.cast(pl.Int8).cast(pl.String)
            if "1" not in self.words and "true" in self.words:
                text = column.cast(pl.String)
        elif column.dtype.is_float():
            whole = column.cast(pl.Int64, strict=False)
            is_whole = bool((whole.cast(pl.Float64) == column).all())
            text = (whole if is_whole else column).cast(pl.String)
        else:
            text = column.cast(pl.String)
        text = text.str.strip_chars(" \t\"'")
        if self.words is None:
            return text
        keys = text.str.to_lowercase()
        result = keys.replace_strict(
            list(self.words), list(self.words.values()), default=None, return_dtype=self.dtype
        )
        if self.quantity == "phase":
            result = pl.select(pl.coalesce(result, text)).to_series()
        if column.dtype == pl.String and len(self.spelt) < _KEPT_WORDS:
            pairs = pl.DataFrame({"raw": column, "is": result}).drop_nulls().unique()
            self.spelt.update(pairs.iter_rows())
        bad = result.is_null() & text.is_not_null() & (text != "")
        if bad.any():
            where = bad.arg_true()
            for word, count in text.gather(where).value_counts().iter_rows():
                self.text_counts[word[:40]] += count
            if self.text_first_row is None:
                self.text_first_row = int(rows[int(where[0])])
        self.nulls += result.null_count()
        return result


def read_channels(
    block: pl.DataFrame, plans: Sequence[ChannelPlan], rows: np.ndarray, decimal_comma: bool
) -> pl.DataFrame:
    """Read all channels of a block, quickly where nothing odd is among the cells."""
    columns = []
    for p in plans:
        value = p.quick(block[p.column])
        if value is None:
            value = p.read(block[p.column], rows, decimal_comma)
        else:
            p.nulls += value.null_count()
        columns.append(value.alias(p.name))
    return pl.DataFrame(columns)


def plan_channels(bindings: list[Binding], joints: tuple[str, ...]) -> list[ChannelPlan]:
    """Return a plan for each bound column; joints by place from end A."""
    measured = dict((*JOINT_KEYS.values(), *SESSION_KEYS.values()))
    plans = []
    for b in bindings:
        measures = measured[b.entry.quantity]
        joint = None if b.joint is None else joints[b.joint]
        plan = ChannelPlan(
            name=b.entry.quantity if joint is None else f"{joint}.{b.entry.quantity}",
            joint=joint,
            column=b.column,
            quantity=b.entry.quantity,
            number=bool(measures),
            own_sentinels=b.entry.sentinels,
        )
        stated = b.entry.unit_at(b.joint)
        if measures and stated is not None:
            unit = scales.scale(stated, measures)
            plan.factor, plan.offset = unit.factor, unit.offset
            plan.unit, plan.linear = unit.unit, unit.linear
        else:
            plan.words = dictionary(b.entry.quantity, b.entry.words)
        plans.append(plan)
    return plans


def sampled_numbers(sample: pl.Series, decimal_comma: bool) -> pl.Series | None:
    """Return a sampled column as numbers, null where it says none; None where it is no such."""
    if sample.dtype == pl.String:
        text = sample.str.replace(",", ".", literal=True) if decimal_comma else sample
        sample = text.cast(pl.Float64, strict=False)
    if not (sample.dtype.is_numeric() or sample.dtype == pl.Boolean):
        return None
    return sample.cast(pl.Float64)


def learn_typical(plan: ChannelPlan, sample: pl.Series, decimal_comma: bool) -> None:
    """Set what size of value is usual for a channel, from the sample."""
    if not plan.number:
        return
    numbers = sampled_numbers(sample, decimal_comma)
    if numbers is None:
        return
    values = np.abs(numbers.drop_nulls().to_numpy())
    values = values[np.isfinite(values) & ~np.isin(values, np.abs(SENTINELS)) & (values < HUGE)]
    plan.typical = float(np.quantile(values, 0.99)) if len(values) else 0.0
