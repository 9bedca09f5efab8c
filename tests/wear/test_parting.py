"""Which rows of a table make a history, whatever order they come in."""

import numpy as np
import polars as pl

from replay.wear.histories.parting import last_of, rows_of_histories


def table(seed=4, histories=7, sessions=30):
    rng = np.random.default_rng(seed)
    rows = [
        {"serial": f"TU-{j % 3}", "indicator": f"i{j}", "start_us": int(t), "session": f"S{k:02d}"}
        for j in range(histories)
        for k, t in enumerate(np.sort(rng.integers(0, 20, sessions)))
    ]
    return pl.DataFrame(rows)


def test_rows_are_those_of_a_sorted_partition():
    in_order = table()
    for frame in (in_order, in_order.sample(fraction=1.0, shuffle=True, seed=1)):
        parts = frame.partition_by("serial", "indicator", as_dict=True)
        found = rows_of_histories(frame, "start_us", "session")
        assert [(serial, name) for serial, name, _ in found] == sorted(parts)
        for serial, name, rows in found:
            own = parts[serial, name].sort("start_us", "session")
            assert frame[rows].equals(own)
            assert frame["session"][last_of(rows)] == own["session"][-1]


def test_a_history_in_one_piece_is_not_copied():
    frame = table().unique(["serial", "indicator", "start_us"], maintain_order=True)
    assert all(isinstance(rows, slice) for _, _, rows in rows_of_histories(frame, "start_us"))


def test_an_empty_table_has_no_histories():
    assert rows_of_histories(table().clear(), "start_us") == []
