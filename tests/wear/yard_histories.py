"""Histories of arms outdoors, held out: written before any of them was judged."""

from __future__ import annotations

import numpy as np
from known_truth import Known, rows_of


def yard_unit(seed, serial, growth, sessions, years, noise):
    """Outdoors, in shifts: weather, days and nights, cold starts, a product that gives way to
    another, a current sensor that creeps until it is set anew each quarter, wear along an S."""
    rng = np.random.default_rng(seed)
    days = np.arange(int(365.25 * years))
    phase = rng.uniform(0, 1)
    of_year = (days / 365.25 + phase) % 1
    at_work = (days % 7 < 5) & ~((of_year > 0.55) & (of_year < 0.60)) & (of_year > 0.02)
    shift = np.sort(rng.choice(3 * np.flatnonzero(at_work).size, sessions, replace=False))
    day, hour = days[at_work][shift // 3], np.array([6.5, 14.5, 22.5])[shift % 3]
    t = (day + (hour + rng.uniform(0, 1.5, sessions)) / 24) / 365.25
    weather = np.zeros(len(days))
    for k in range(1, len(days)):
        weather[k] = 0.8 * weather[k - 1] + rng.normal(0, 2.2)
    warm = 10 - 9 * np.cos(2 * np.pi * (t + phase)) + weather[day]
    warm = warm + 4 * np.sin(2 * np.pi * (hour - 9) / 24) + rng.normal(0, 0.7, sessions)
    level = float(rng.uniform(0.4, 2.5))
    second = 1 / (1 + np.exp(-(t / years - rng.uniform(0.2, 0.8)) / 0.08))
    load = np.where(rng.random(sessions) < second, 45.0, 20.0) * rng.uniform(0.9, 1.1, sessions)
    rate = rng.choice([0.6, 1.0, 1.5], sessions) * rng.uniform(0.97, 1.03, sessions)
    thick = 600 * (1 + 0.1 * rng.normal())
    borne = 0.0015 * (1 + 0.3 * rng.normal())

    def effect(at):
        warmth = np.asarray(at["temperature_c"])
        oil = np.exp(thick / (warmth + 110) - thick / 120) - 1
        carried = borne * (np.asarray(at["load_nm"]) - 30)
        return level * (0.5 * oil + carried + 0.06 * (np.asarray(at["rate_deg_s"]) ** 0.5 - 1))

    known = effect({"temperature_c": warm, "load_nm": load, "rate_deg_s": rate})
    middle, steep = rng.uniform(0.3, 0.7), rng.uniform(0.08, 0.3)

    def rise(x):
        return 1 / (1 + np.exp(-(x - middle) / steep))

    course = (rise(t / years) - rise(0.0)) / (rise(1.0) - rise(0.0))
    truth = level * (1 + growth * course)
    first_of_day = np.diff(day, prepend=-1) > 0
    cold = 0.02 * first_of_day * np.maximum(10 - warm, 0) / 10
    quarter = (t * 4).astype(int)
    creep = rng.normal(0, 0.008, quarter[-1] + 1)[quarter] * (t * 4 - quarter)
    se = level * rng.gamma(4.0, 0.003, sessions)
    value = truth + known + level * (cold + creep + noise * rng.normal(size=sessions))
    value = value + se * rng.standard_t(5, sessions)
    rows = rows_of(serial, t, value, 0.7 * se, warm, load, rate, ["A"] * sessions)
    return Known(rows, t, truth, known, np.hypot(se, level * noise), effect)
