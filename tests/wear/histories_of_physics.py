"""Histories of seven physics, none of which the judging knows: one call, a kind of units.

``makers`` (see `makers.unit`): curved temperature effect, equal for all units, sessions
strewn over the year. ``thinning grease``: viscosity falls exponentially with temperature,
each unit by its own constant, seasons of 25 C, work that changes every few weeks and loads
the joint otherwise, wandering sessions. ``campaigns``: sessions in bursts with pauses of
weeks, a burst's own offset, temperatures that are sometimes missing, a load law that is no
line, long tails, wild sessions, and growth with use instead of time. ``stints``: what a
stint of sessions carries is logged nowhere and adds the same to all of them. ``hall``:
weather that wanders for weeks, a temperature sensor broken for months, three tools, a
friction that follows the logarithm of the rate, a slow unlogged wander, long tails, growth
that quickens or slows. ``yard`` (`yard_histories`): outdoors, in shifts.
``cold store`` (`coldstore_histories`): joints that chill while they work.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import polars as pl
from coldstore_histories import coldstore_unit
from known_truth import Known, rows_of
from makers import unit
from yard_histories import yard_unit


def makers_unit(seed, serial, growth, sessions, years, noise):
    """The physics of `makers.unit`, its conditions taken apart again."""
    made = unit(seed, serial=serial, joint=serial[-2:], growth=growth, sessions=sessions,
                years=years, noise=noise, season=0.12, missing=False)  # fmt: skip

    def effect(at):
        cold = (18 - at["temperature_c"]) / 11
        return 1.2 * (0.12 * (cold + 0.15 * cold**2) + 0.001 * (at["load_nm"] - 30))

    known = effect({c: made.rows[c].to_numpy() for c in ("temperature_c", "load_nm")})
    sigma = np.hypot(made.rows["se"].to_numpy(), 1.2 * noise)
    return Known(made.rows, made.years, made.truth, known, sigma, effect)


def grease_unit(seed, serial, growth, sessions, years, noise):
    """Grease that thins with warmth; programs that load the joint for weeks."""
    rng = np.random.default_rng(seed)
    t = np.sort(rng.uniform(0, years, sessions))
    level = float(rng.uniform(0.5, 2.0))
    warm = 22 + 12.5 * np.sin(2 * np.pi * t - 1.9) + rng.normal(0, 3.0, sessions)
    constant = 35 * (1 + 0.15 * rng.normal())
    program = np.cumsum(rng.random(sessions) < 1 / rng.uniform(5, 15))
    load = rng.lognormal(3.2, 0.5, program[-1] + 1)[program]
    rate = rng.lognormal(0, 0.25, program[-1] + 1)[program]

    def effect(at):
        thin = 0.4 * np.exp(-(at["temperature_c"] - 22) / constant) - 0.4
        return level * (thin + 0.002 * (at["load_nm"] - 25) + 0.05 * (at["rate_deg_s"] - 1))

    known = effect({"temperature_c": warm, "load_nm": load, "rate_deg_s": rate})
    truth = level * (1 + growth * t / years)
    wander, memory = np.zeros(sessions), 0.25
    for k in range(sessions):
        shock = rng.normal() * (1 - memory**2) ** 0.5
        wander[k] = shock + memory * (wander[k - 1] if k else 0.0)
    se = level * rng.uniform(0.005, 0.02, sessions)
    value = truth + known + level * noise * wander + se * rng.normal(size=sessions)
    told = se * rng.uniform(0.7, 1.4, sessions)
    rows = rows_of(serial, t, value, told, warm, load, rate, np.full(sessions, "A"))
    return Known(rows, t, truth, known, np.hypot(se, level * noise), effect)


def campaign_unit(seed, serial, growth, sessions, years, noise):
    """Bursts of work, a burst's own offset, long tails, growth with use."""
    rng = np.random.default_rng(seed)
    bursts = max(4, sessions // 10)
    begin = np.sort(rng.uniform(0, years * 0.97, bursts))
    burst = np.sort(rng.integers(0, bursts, sessions))
    t = np.sort(begin[burst] + rng.uniform(0, 14 / 365.25, sessions))
    burst = np.searchsorted(begin, t, side="right") - 1
    level = float(rng.uniform(0.3, 3.0))
    warm = 15 + 5 * np.sin(2 * np.pi * t + 0.5) + rng.normal(0, 4, bursts)[burst]
    warm = warm + rng.normal(0, 1.5, sessions)
    load = rng.gamma(4.0, 8.0, sessions)
    base_b = rng.random(sessions) < 0.5
    power = -8.0 * (1 + 0.1 * rng.normal())

    def effect(at):
        thick = ((at["temperature_c"] + 273.15) / 288.15) ** power
        carried = 0.03 * ((at["load_nm"] / 30) ** 0.8 - 1)
        return level * (0.35 * (thick - 1) + carried + 0.02 * at["base_b"])

    known = effect({"temperature_c": warm, "load_nm": load, "base_b": base_b})
    use = np.cumsum(rng.lognormal(0, 0.7, sessions))
    truth = level * (1 + growth * use / use[-1])
    offset = level * 0.01 * rng.normal(size=bursts)[burst]
    tails = rng.standard_t(4, sessions) / 2**0.5
    wild = (rng.random(sessions) < 0.03) * rng.uniform(0.15, 0.4, sessions)
    value = truth + known + offset + level * (noise * tails + wild)
    told = np.full(sessions, level * 0.02)
    rows = rows_of(
        serial, t, value, told, warm, load, np.ones(sessions), np.where(base_b, "B", "A")
    )
    lost = rng.random(sessions) < 0.2
    rows = rows.with_columns(
        pl.when(pl.Series(lost)).then(None).otherwise("temperature_c").alias("temperature_c")
    )
    sigma = level * np.hypot(np.full(sessions, noise), 0.01)
    return Known(rows, t, truth, known + level * wild, sigma, effect)


def stint_unit(seed, serial, growth, sessions, years, noise):
    """Work in stints of some sessions; what a stint carries is logged nowhere and adds to all."""
    rng = np.random.default_rng(seed)
    t = np.sort(rng.uniform(0, years, sessions))
    level = float(rng.uniform(0.4, 1.6))
    warm = 20 + 8 * np.sin(2 * np.pi * t) + rng.normal(0, 2.5, sessions)
    stint = np.cumsum(rng.random(sessions) < 1 / rng.uniform(4, 16))
    own = rng.uniform(0.005, 0.02) * rng.normal(size=stint[-1] + 1)[stint]

    def effect(at):
        return -0.008 * level * (at["temperature_c"] - 20)

    known = effect({"temperature_c": warm})
    truth = level * (1 + growth * t / years)
    value = truth + known + level * (own + noise * rng.normal(size=sessions))
    still = np.full(sessions, 30.0)
    rows = rows_of(
        serial,
        t,
        value,
        np.full(sessions, 0.005 * level),
        warm,
        still,
        still / 30,
        ["A"] * sessions,
    )
    return Known(rows, t, truth, known, np.full(sessions, level * noise), effect)


def hall_unit(seed, serial, growth, sessions, years, noise):
    """A hall that follows the weather, a broken sensor, tools, and a wander of weeks."""
    rng = np.random.default_rng(seed)
    weeks = np.sort(rng.choice(int(52 * years), sessions))
    t = np.sort((weeks + rng.uniform(0, 5 / 7, sessions)) / 52)
    level = float(rng.uniform(0.6, 2.5))
    steps = np.diff(t, prepend=t[0])

    def wandering(weeks_kept):
        """Return a wander of spread one that keeps for some weeks."""
        kept = np.exp(-steps * 52 / weeks_kept)
        out = rng.normal(size=sessions)
        for k in range(1, sessions):
            out[k] = kept[k] * out[k - 1] + (1 - kept[k] ** 2) ** 0.5 * out[k]
        return out

    warm = 19 - 9 * np.cos(2 * np.pi * (t - rng.uniform(0, 1))) + 3 * wandering(2.0)
    warm = warm + rng.normal(0, 1.0, sessions)
    tool = rng.integers(0, 3, int(52 * years / 4) + 2)[(t * 13).astype(int)]
    load = np.array([12.0, 28.0, 55.0])[tool] * rng.lognormal(0, 0.08, sessions)
    rate = rng.lognormal(0, 0.3, sessions)
    warmth = 0.011 * (1 + 0.2 * rng.normal())
    carried = 0.04 * (1 + 0.2 * rng.normal())

    def effect(at):
        thin = np.expm1(-warmth * (np.asarray(at["temperature_c"]) - 19))
        borne = carried * (np.sqrt(np.asarray(at["load_nm"]) / 28) - 1)
        return level * (thin + borne + 0.03 * np.log(at["rate_deg_s"]))

    known = effect({"temperature_c": warm, "load_nm": load, "rate_deg_s": rate})
    truth = level * (1 + growth * (t / years) ** float(rng.choice([0.6, 1.0, 1.8])))
    slow = rng.uniform(0.002, 0.015) * wandering(rng.uniform(2, 6))
    tails = rng.standard_t(3, sessions) / 3**0.5
    se = level * rng.uniform(0.004, 0.03, sessions)
    value = truth + known + level * (slow + noise * tails) + se * rng.normal(size=sessions)
    broken = rng.uniform(0, 0.8) * years
    lost = (t > broken) & (t < broken + 0.2 * years)
    rows = rows_of(serial, t, value, se, warm, load, rate, ["A"] * sessions).with_columns(
        pl.when(pl.Series(lost)).then(None).otherwise("temperature_c").alias("temperature_c")
    )
    return Known(rows, t, truth, known, np.hypot(se, level * noise), effect)


PHYSICS: dict[str, Callable[..., Known]] = {
    "makers": makers_unit,
    "thinning grease": grease_unit,
    "campaigns": campaign_unit,
    "stints": stint_unit,
    "hall": hall_unit,
    "yard": yard_unit,
    "cold store": coldstore_unit,
}


def kind(name, seed, *, growths, sessions, years, noise) -> list[Known]:
    """Return a kind of units, one for each growth (share of the level over the history)."""
    make = PHYSICS[name]
    number = list(PHYSICS).index(name)
    return [
        make([seed, j, number], f"TU-{j:02d}", growth, sessions, years, noise)
        for j, growth in enumerate(growths)
    ]
