"""The reference of log maps says what the reader takes, and all of it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from replay.errors import LogMapError
from replay.logs import load_map
from replay.logs.maps import JOINT_KEYS, SESSION_KEYS
from replay.logs.reference import reference
from replay.logs.scales import SPELLINGS, find
from replay.logs.times.timeforms import TIME_FORMS
from tests.cleaning.logs import MAP

FILE = Path(__file__).parents[2] / ".docs" / "log-maps.md"
TEXT = reference()


def test_the_file_is_what_the_reader_says() -> None:
    assert FILE.read_text("utf-8") == TEXT, "jointbook map --keys > .docs/log-maps.md"


@pytest.mark.parametrize("form", re.findall(r"^\| `([a-z0-9-]+)` \| ", TEXT, re.M))
def test_every_time_format_is_read(form: str) -> None:
    more = f'format = "{form}"\nstart = "2031-03-01T00:00:00Z"'
    assert load_map(MAP.replace('format = "iso8601"', more)).time.format == form


def test_every_time_format_is_listed() -> None:
    assert set(re.findall(r"^\| `([a-z0-9-]+)` \| ", TEXT, re.M)) == set(TIME_FORMS)


@pytest.mark.parametrize("key", re.findall(r"`\[joint\.([a-z_]+)\]` \| [^|]+ \| ", TEXT))
def test_every_joint_quantity_is_read(key: str) -> None:
    units = re.search(rf"\[joint\.{key}\]` \| [^|]+ \| (.*) \|", TEXT)
    assert units is not None
    for unit in re.findall(r"`([^`]+)`", units[1]) or [None]:
        said = "" if unit is None else f'unit = "{unit}"\n'
        text = '[log]\njoints = 1\n[time]\ncolumn = "t"\n' + f'[joint.{key}]\ncolumn = "x"\n{said}'
        assert load_map(text).joint[key].quantity == JOINT_KEYS[key][0]


def test_every_quantity_is_listed() -> None:
    assert set(re.findall(r"\[joint\.([a-z_]+)\]", TEXT)) == set(JOINT_KEYS)
    assert set(re.findall(r"\[session\.([a-z_]+)\]", TEXT)) == set(SESSION_KEYS)


@pytest.mark.parametrize(
    ("table", "key"), re.findall(r"^\| `\[(log|time)\]` ([a-z_]+) \|", TEXT, re.M)
)
def test_every_key_is_known_and_no_other(table: str, key: str) -> None:
    head, rest = MAP.split(f"[{table}]", 1)
    with pytest.raises(LogMapError) as caught:  # a value of a kind that no key takes
        load_map(f"{head}[{table}]\n{key} = {{ x = 1 }}\n" + rest.replace(f"\n{key} =", "\n# "))
    assert "unknown key" not in str(caught.value)
    with pytest.raises(LogMapError, match="unknown key"):
        load_map(f"{head}[{table}]\nx{key} = 1\n" + rest)


LONG = MAP.replace("joints = 2", 'joints = 2\nlayout = "long"') + (
    '[long]\ntime = "t"\nchannel = "what"\nvalue = "value"\n'
)


@pytest.mark.parametrize("key", re.findall(r"^\| `\[long\]` ([a-z_]+) \|", TEXT, re.M))
def test_every_key_of_a_long_table_is_read_and_no_other(key: str) -> None:
    named = dict(zip(("time", "channel", "value"), load_map(LONG).long or (), strict=True))
    assert named == {"time": "t", "channel": "what", "value": "value"}
    bare = load_map(re.sub(rf"\n{key} = [^\n]+(?=\n(?:channel|value|$)|\n?$)", "", LONG))
    assert key in (bare.long or ())  # left out, it has its own name
    with pytest.raises(LogMapError, match="column names"):
        load_map(re.sub(rf"(?s)(\[long\].*\n{key} = )[^\n]+", r"\g<1>3", LONG))
    with pytest.raises(LogMapError, match="unknown key"):
        load_map(LONG + f"x{key} = 1\n")


@pytest.mark.parametrize("key", re.findall(r"^\| `\[packets\]` ([a-z_]+) \|", TEXT, re.M))
def test_every_key_of_packets_is_read_and_no_other(tmp_path: Path, key: str) -> None:
    (tmp_path / "bus.xml").write_text("<SpaceSystem/>")
    said = {"xtce": '"bus.xml"', "xtce_text": "'<SpaceSystem/>'", "root": '"Whole"'}[key]
    more = "" if key != "root" else "xtce_text = '<SpaceSystem/>'\n"
    file = tmp_path / "log.map.toml"
    file.write_text(LONG + f"[packets]\n{key} = {said}\n{more}")
    read = load_map(file)
    assert read.packets is not None
    assert "<SpaceSystem/>" in read.toml  # the description travels with the map
    if key == "root":
        assert "Whole" in str(read.packets)
    with pytest.raises(LogMapError, match="unknown key"):
        load_map(LONG + f"[packets]\nx{key} = {said}\n")


@pytest.mark.parametrize("word", re.findall(r"`([a-z0-9.]+)` = (?:engaged|released)", TEXT))
def test_every_brake_word_is_taken(word: str) -> None:
    more = f'[joint.brake_state]\ncolumn = "b{{n}}"\nwords = {{ X = "{word}" }}\n'
    assert load_map(MAP + more).joint["brake_state"].words == {"X": word}


def test_every_spelling_is_a_unit() -> None:
    assert all(find(s) is not None for s in SPELLINGS)
