"""Every file of the corpus is stored as it was meant, and its proposed map is counted."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from replay.archive import Archive, open_archive
from replay.cleaning import IngestResult, ingest
from replay.logs import propose_map
from replay.logs.proposing.proposal import Proposal
from tests.corpus.layouts import CONTAINERS, NAMINGS, corpus
from tests.corpus.truth import Case

QUANTITIES = ("angle_deg", "angle_cmd_deg", "rate_deg_s", "rate_cmd_deg_s", "current_a",
              "current_target_a", "temperature_c", "torque_nm")  # fmt: skip


@pytest.fixture(scope="module")
def cases(tmp_path_factory: pytest.TempPathFactory) -> list[Case]:
    return corpus(tmp_path_factory.mktemp("corpus"))


def test_the_corpus_is_as_large_as_it_says(cases: list[Case]) -> None:
    assert len(cases) >= 150
    assert len({c.name for c in cases}) == len(cases)
    assert len(NAMINGS) * len(CONTAINERS) == len([c for c in cases if c.lines])


def test_every_file_is_stored_as_it_was_meant(cases: list[Case], tmp_path: Path) -> None:
    archive = open_archive(tmp_path / "archive", create=True)
    wrong: list[str] = []
    for case in cases:
        result = ingest(archive, case.files, log_map=case.log_map)
        wrong += [f"{case.name}: {w}" for w in _differences(archive, result, case)]
    assert not wrong, "\n".join(wrong[:40])


def _differences(archive: Archive, result: IngestResult, case: Case) -> Iterator[str]:
    if result.refused:
        yield result.refused[0].reason[:200]
        return
    if len(result.sessions) != case.sessions:
        yield f"{len(result.sessions)} sessions"
        return
    parts = []
    for s in sorted(result.sessions, key=lambda s: s.start):
        streams = [archive.samples(s.session, stream=n).collect() for n in s.channels]
        whole = streams[0]
        for other in streams[1:]:
            whole = whole.join(other, on="time", how="left")
        parts.append(whole)
    stored = pl.concat(parts)
    ns = stored["time"].cast(pl.Int64).to_numpy()
    if len(ns) != len(case.truth.ns):
        yield f"{len(ns)} rows of {len(case.truth.ns)}"
        return
    off = int(np.abs(ns - case.truth.ns).max())
    if off > 1000:  # serial days are doubles: a microsecond
        yield f"times off by {off} ns"
    mapped = {c.rpartition(".")[2] for c in stored.columns}
    for quantity in QUANTITIES:
        for place, joint in enumerate(case.joints):
            if quantity not in mapped:
                continue
            values = stored[f"{joint}.{quantity}"].to_numpy()
            meant = case.truth.channels[quantity][place]
            worst = float(np.nanmax(np.abs(values - meant)))
            if not worst <= case.tolerance * max(1.0, float(np.abs(meant).max())):
                yield f"{joint}.{quantity} off by {worst:.3g}"
    for quantity, states in case.truth.brakes.items():
        for place, joint in enumerate(case.joints):
            if f"{joint}.{quantity}" in stored.columns:
                told = stored[f"{joint}.{quantity}"].to_list()
                if told != states[place].tolist():
                    yield f"{joint}.{quantity} differs"


def score(proposal: Proposal, case: Case) -> tuple[Counter[str], list[str]]:
    """Count a proposal's lines right, wrong and missing; name the wrong ones above 0.8."""
    tally: Counter[str] = Counter()
    sure_and_wrong: list[str] = []
    by_key = {(x.table, x.key): x for x in proposal.lines}
    for (table, key), meant in case.lines.items():
        line = by_key.get((table, key))
        if line is None and key == "column":
            line = by_key.get((table, "columns"))
        if line is None:
            tally["missing"] += 1
            continue
        told: object = json.loads(line.value)
        if key == "column" and table != "time":
            told = tuple(proposal.columns[table])
        if told == meant:
            tally["right"] += 1
        else:
            tally["wrong"] += 1
            if line.confidence > 0.8:
                sure_and_wrong.append(f"{case.name} [{table}] {key} = {told} ({line.confidence})")
    return tally, sure_and_wrong


def test_proposals_are_right_or_ask(cases: list[Case]) -> None:
    tally: Counter[str] = Counter()
    sure: list[str] = []
    for case in cases:
        if case.lines:
            one, two = score(propose_map(case.files[0]), case)
            tally += one
            sure += two
    assert not sure, "\n".join(sure[:40])
    assert tally["right"] >= 0.9 * tally.total(), tally
