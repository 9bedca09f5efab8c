"""What travels between rooms is frozen once it is made; what is not is state, and says so here."""

import ast
from pathlib import Path

ROOT = Path(__file__).parents[2]

STATE = {
    # what a stream has shown so far, while it passes by
    "replay/cleaning/stream/channel_statistics.py": {"ChannelStatistics"},
    "replay/cleaning/stream/channels.py": {"ChannelPlan"},
    "replay/cleaning/stream/cleaner.py": {"StreamCleaner"},
    "replay/cleaning/times/time_column.py": {"Clock"},
    "replay/cleaning/times/order.py": {"Lapse", "Orderer"},
    "replay/cleaning/long/partition.py": {"LongTable"},
    "replay/cleaning/long/series.py": {"Series"},
    "replay/cleaning/parts.py": {"Part"},
    "replay/logs/readers/packets.py": {"_Account"},
    "replay/logs/readers/scrub.py": {"_Tally"},
    # what a process knows of files, and of work that goes on
    "replay/archive/samples/pieces.py": {"_Seen"},
    "replay/archive/tables/tables.py": {"_Known"},
    "dashboards/queries/intake.py": {"Batch"},
    "dashboards/queries/session/derived.py": {"Blocks"},
    # a search's best so far
    "replay/models/chains/identify.py": {"_Fit"},
    # what is put together piece by piece, by the one that returns it; nobody writes to it later
    "replay/demo/plant.py": {"Trouble"},
    "replay/logs/proposing/groups.py": {"Group"},
    "replay/logs/proposing/proposal.py": {"Proposal"},
    # what is counted up while a command runs
    "replay/cli/demo_building.py": {"Summary"},
}

STILL_CHANGED = {
    "replay/checks/limits/noise.py": {"Sample"},
    "replay/checks/findings.py": {"Event", "Finding"},
    "replay/checks/matching.py": {"Tally"},
    "replay/logs/readers/raw.py": {"RawLog"},
    "replay/models/baseline.py": {"Baseline"},
    "replay/models/units/unit_rows.py": {"UnitRows"},
}
"""Results that are written to after they were made; this list only shrinks."""


def changeable(text: str) -> set[str]:
    """Return the names of a module's dataclasses that are not frozen."""
    found = set()
    for node in ast.walk(ast.parse(text)):
        for mark in getattr(node, "decorator_list", ()):
            called = isinstance(mark, ast.Call)
            if ast.unparse(mark.func if called else mark).rpartition(".")[2] != "dataclass":
                continue
            frozen = called and any(
                k.arg == "frozen" and getattr(k.value, "value", False) for k in mark.keywords
            )
            if not frozen:
                found.add(node.name)
    return found


def test_a_class_that_can_be_changed_is_seen():
    assert changeable("@dataclass\nclass A: ...") == {"A"}
    assert changeable("@dataclasses.dataclass(slots=True)\nclass A: ...") == {"A"}
    assert changeable("@dataclass(frozen=True)\nclass A: ...") == set()


def test_what_travels_is_frozen():
    wrong = {}
    for room in ("replay", "dashboards"):
        for path in (ROOT / room).rglob("*.py"):
            name = path.relative_to(ROOT).as_posix()
            names = changeable(path.read_text(encoding="utf-8"))
            names -= STATE.get(name, set()) | STILL_CHANGED.get(name, set())
            if names:
                wrong[name] = names
    assert wrong == {}
