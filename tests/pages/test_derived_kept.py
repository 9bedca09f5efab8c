"""A short session's derived channels are computed once, whoever looks about in it."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from dashboards.queries.session import derived
from dashboards.queries.session.derived import Derived
from dashboards.queries.session.sessions import outline
from replay.archive import Archive

SESSION = "20310303-heron"


def test_a_short_session_is_computed_once_for_all_who_look_about_in_it(
    heron: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    read, true = [], derived.prepare

    def counted(*args: object, **more: object) -> object:
        read.append(more)
        return true(*args, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(derived, "prepare", counted)
    found, kept = outline(heron, SESSION), Derived(heron)
    joints = [str(j["name"]) for j in found.joints]
    whole, share, failed = kept.window(found, 0.0, found.length_s + 1e-3, 10**6, joints)
    assert (share, failed, len(read)) == (1.0, "", 1)
    spans = [(k * 1.5, k * 1.5 + 20.0) for k in range(8)]
    with ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(lambda s: kept.window(found, *s, 10**6, joints[:1])[0], spans))
    assert len(read) == 1
    for (start, end), groups in zip(spans, answers, strict=True):
        (group,) = groups
        assert group.samples
        assert {name.rpartition(".")[0] for name in group.series} == {joints[0]}
        of_whole = next(g for g in whole if set(group.series) <= set(g.series))
        inside = (of_whole.t_s >= start) & (of_whole.t_s < end)
        assert 0 < inside.sum() < inside.size
        assert np.array_equal(group.t_s, of_whole.t_s[inside])
        for name, (values, again) in group.series.items():
            assert values is again, "samples go out once"
            assert np.array_equal(values, of_whole.series[name][0][inside], equal_nan=True)
    few = kept.window(found, 0.0, 20.0, 40, joints)[0]
    assert all(group.t_s.size <= 40 for group in few)


def test_what_was_asked_for_longest_ago_goes_first(
    heron: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(derived, "KEPT_BYTES", 1)
    kept = Derived(heron)
    names = heron.sessions()["session"].to_list()
    for name in names:
        found = outline(heron, name)
        kept.window(found, 0.0, 5.0, 100, [str(j["name"]) for j in found.joints])
        assert [key[0] for key in kept._wholes] == [name]
