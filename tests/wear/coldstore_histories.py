"""Histories of an arm in a frozen-goods store, held out: written before any of them was judged."""

from __future__ import annotations

import numpy as np
import polars as pl
from known_truth import Known, rows_of

# Goods in turn: chamber's set point, usual check rate (slower in deeper cold), crate's load.
SET_C, USUAL_RATE, CRATE_NM = np.array([[-18, -22, -26], [1.3, 1.0, 0.8], [18, 27, 36]], float)


def coldstore_unit(seed, serial, growth, sessions, years, noise):
    """A freezer served from an anteroom: each check meets the joint half chilled or chilled
    through; goods change the cold, loads and rates together; wear follows the crates moved."""
    rng = np.random.default_rng(seed)
    days = np.arange(int(365.25 * years))
    phase = rng.uniform(0, 1)
    season = (days / 365.25 + phase) % 1
    # Harvest and year's end are busy; Sundays and a yearly overhaul, chamber warm, move nothing.
    busy = 1 + 0.6 * np.exp(-(((season - 0.65) / 0.08) ** 2))
    busy = busy + 0.9 * np.exp(-(((season - 0.94) / 0.04) ** 2))
    overhaul = (season > 0.10) & (season < 0.13)
    open_day = days % 7 < 6
    moved = np.concatenate([[0.0], np.cumsum(busy * (open_day & ~overhaul))])

    # Two slots for a check a day, early and mid shift; fewer are taken when crates press.
    worth = np.repeat(open_day / busy, 2)
    slot = np.sort(rng.choice(worth.size, sessions, replace=False, p=worth / worth.sum()))
    day, early = slot // 2, slot % 2 == 0
    inside_h = np.where(early, rng.uniform(0.4, 2.0, sessions), rng.uniform(3.5, 6.0, sessions))
    t = (day + (6.0 + inside_h) / 24) / 365.25

    # Each kind of goods stays for weeks to months.
    until = np.cumsum(21 + rng.exponential(50, days.size // 21 + 2))
    goods = rng.integers(0, 3, until.size)[np.searchsorted(until, day, side="right")]
    summer = -np.cos(2 * np.pi * (season[day] - 0.04))
    chamber = SET_C[goods] + 0.8 * (busy[day] - 1) + 0.4 * summer
    chamber = chamber + rng.normal(0, 0.6, sessions)
    failed = rng.random(days.size) < 3 / 365  # a compressor trips, for the day
    chamber = chamber + failed[day] * rng.uniform(4, 10, sessions)
    chamber = np.where(overhaul[day], 7 + rng.normal(0, 1.5, sessions), chamber)
    anteroom = 4 + 2.5 * summer + rng.normal(0, 0.8, sessions)
    own_heat = rng.uniform(0.5, 2.5, sessions)
    hours_to_chill = rng.uniform(1.3, 2.0)

    def chilled(hours):
        return chamber + own_heat + (anteroom - chamber) * np.exp(-inside_h / hours)

    warm = chilled(hours_to_chill) + rng.normal(0, 0.2, sessions)
    # The arm hangs by either end, as the aisle served asks; it stays so for a run of checks.
    hung = np.cumsum(rng.random(sessions) < 0.2)
    base_b = (rng.random(sessions + 1) < rng.uniform(0.25, 0.6))[hung]
    load = CRATE_NM[goods] * np.where(base_b, 0.9, 1.05) * np.exp(rng.normal(0, 0.15, sessions))
    other = rng.choice([0.7, 1.0, 1.5], sessions)
    rate = np.where(rng.random(sessions) < 0.25, other, USUAL_RATE[goods])
    rate = rate * rng.uniform(0.98, 1.02, sessions)

    level = float(rng.uniform(0.4, 2.5))
    thinning, churned = rng.normal(0.033, 0.003), rng.normal(0.45, 0.06)
    touching, lip = rng.normal(0.12, 0.02), rng.normal(0.03, 0.005)
    borne_a, borne_b, hanging = rng.normal([0.08, 0.12, 0.02], [0.012, 0.018, 0.01])

    def drag(celsius, torque, speed, share_b):
        thick = np.exp(-thinning * (celsius + 20))
        film = thick * speed  # a thin film lets surfaces touch; a thick one is churned
        oil = churned * thick * speed**0.7 + touching * np.exp(-film / 0.5)
        seal = lip * np.logaddexp(0, (-24 - celsius) / 2)  # the lip stiffens in deep cold
        flank = (np.abs(torque) / 25) ** (4 / 3)  # each end loads its own flank of the teeth
        return oil + seal + (borne_a + (borne_b - borne_a) * share_b) * flank + hanging * share_b

    usual = drag(-20.0, 25.0, 1.0, 0.0)

    def effect(at):
        named = ("temperature_c", "load_nm", "rate_deg_s", "base_b")
        return level * (drag(*(np.asarray(at[c], float) for c in named)) - usual)

    seen = {"load_nm": load, "rate_deg_s": rate, "base_b": base_b}
    known = effect({"temperature_c": warm, **seen})
    course = np.interp(t * 365.25, np.arange(moved.size), moved) / moved[-1]
    truth = level * (1 + growth * course ** rng.uniform(0.7, 1.8))

    # Not logged: gears chill after the motor that bears the sensor; rime at the seals until the
    # fortnight's defrost, more of it in damp months; grease that settled over Sunday; the
    # shunt's slow wander; a crate that brushes the rack.
    lag = effect({"temperature_c": warm + chilled(1.05 * hours_to_chill) - chilled(hours_to_chill),
                  **seen}) - known  # fmt: skip
    rime = (0.008 + 0.004 * summer) * (day % 14) / 14 * (chamber < 0)
    settled = 0.012 * ((day % 7 == 0) & early)
    fading = np.exp(-np.arange(200) / 60)
    fading = 0.004 * fading / np.sqrt(fading @ fading)
    wander = np.convolve(rng.normal(size=days.size + 199), fading, mode="valid")[day]
    brushed = (rng.random(sessions) < 0.01) * rng.uniform(0.03, 0.10, sessions)
    nuisance = lag + level * (rime + settled + wander + brushed)

    # Ten strokes make a session: their standard error is itself only an estimate.
    se = level * 0.009 * np.exp(rng.normal(0, 0.35, sessions)) * np.where(warm < -24, 1.3, 1.0)
    told = se * np.sqrt(rng.chisquare(9, sessions) / 9)
    value = truth + known + nuisance + (level * noise) * rng.normal(size=sessions)
    value = value + se * rng.normal(size=sessions)

    # The logger is down for some ten days a year, and single values go missing.
    down = rng.integers(0, days.size, int(np.ceil(years)))
    silent = ((day[:, None] >= down) & (day[:, None] < down + 10)).any(axis=1)
    gaps = rng.random((3, sessions)) < np.array([[0.02], [0.015], [0.01]])
    gaps[0] |= silent
    logged = [
        pl.Series(np.where(gone, np.nan, of), nan_to_null=True)
        for gone, of in zip(gaps, (warm, load, rate), strict=True)
    ]
    base = np.where(base_b, "B", "A").tolist()
    rows = rows_of(serial, t, value, told, *logged, base)
    return Known(rows, t, truth, known, np.hypot(se, level * noise), effect)
