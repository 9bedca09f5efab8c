"""What travels between rooms is frozen once it is made; what is not is state, and says so here."""

import ast
from pathlib import Path

ROOT = Path(__file__).parents[2]

STATE = {
    # what a stream has shown so far: filled while its blocks pass by, and read by its own room
    "replay/cleaning/stream/channel_statistics.py": {"ChannelStatistics"},
    "replay/cleaning/stream/channels.py": {"ChannelPlan"},
    "replay/cleaning/stream/cleaner.py": {"StreamCleaner"},
    "replay/cleaning/stream/on_change.py": {"Held"},
    "replay/cleaning/times/time_column.py": {"Clock"},
    "replay/cleaning/times/order.py": {"Lapse", "Orderer"},
    "replay/cleaning/long/partition.py": {"LongTable"},
    "replay/cleaning/long/series.py": {"Series"},
    "replay/logs/readers/packets.py": {"_Account"},
    "replay/logs/readers/scrub.py": {"_Tally"},
    # columns of a short stream come as windows ask for them; handed out are arrays only
    "replay/archive/samples/short_streams.py": {"Columns"},
    # one of a session's logs on its way in: streams come and go while logs are laid side by side
    "replay/cleaning/parts.py": {"Part"},
    # what a process knows of files that are there, and adds to at each reading
    "replay/archive/samples/pieces.py": {"_Seen"},
    "replay/archive/tables/tables.py": {"_Known"},
    # work that goes on while it is looked at: an upload, channels computed in the background
    "dashboards/queries/intake.py": {"Batch"},
    "dashboards/queries/session/derived.py": {"Blocks", "Whole"},
}
"""Working state, each with its reason; nothing here is a result that another room is given."""


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
    found = {}
    for room in ("replay", "dashboards"):
        for path in (ROOT / room).rglob("*.py"):
            names = changeable(path.read_text(encoding="utf-8"))
            if names:
                found[path.relative_to(ROOT).as_posix()] = names
    assert found == STATE
