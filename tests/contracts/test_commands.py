"""Every command is documented, answers --help and takes the common options."""

import subprocess
import sys
from pathlib import Path

import pytest

from replay.cli.main import VERBS, build_parser

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def parser():
    return build_parser()


def verb_parsers(parser):
    actions = [a for a in parser._actions if hasattr(a, "choices") and a.choices]
    return actions[0].choices


@pytest.mark.parametrize("verb", VERBS)
def test_verb_has_help_and_common_options(parser, verb):
    text = verb_parsers(parser)[verb].format_help()
    assert "--archive" in text
    assert "--json" in text
    assert len(verb_parsers(parser)[verb].description.split()) > 5


@pytest.mark.parametrize("verb", VERBS)
def test_every_option_explains_itself(parser, verb):
    for action in verb_parsers(parser)[verb]._actions:
        assert action.help, f"{verb} {action.dest} has no help"


@pytest.mark.parametrize("verb", VERBS)
def test_readme_names_every_verb(verb):
    assert f"jointbook {verb}" in (ROOT / "README.md").read_text()


def test_wrong_usage_exits_2():
    done = subprocess.run(
        [sys.executable, "-m", "replay", "fly"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert "fly" in done.stderr


def test_starting_the_command_line_does_not_load_the_heavy_libraries():
    code = (
        "import sys; import replay.cli.main; "
        "print([m for m in ('sklearn', 'dash', 'scipy.stats') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_taking_logs_in_does_not_load_what_judges_them():
    """Ingest's processes wait for its own start: reviews and models took twice as long to load."""
    code = (
        "import sys; import replay.cli.logs.ingest; "
        "print([m for m in ('scipy', 'sqlalchemy', 'replay.models') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
