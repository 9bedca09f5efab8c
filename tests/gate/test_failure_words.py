"""No folder of the server reaches a browser in an error, and no file of it through an upload."""

import io
import re
import tempfile
from pathlib import Path

import pytest

from dashboards.components.library_page.taken_in import taken_in
from dashboards.failure_words import failure_text, without_folders
from dashboards.queries import intake
from replay.archive import open_archive
from replay.errors import ArchiveError, ArmFileError, JointbookError, LogMapError
from tests.cleaning.logs import MAP

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize(
    "error",
    [
        ArchiveError("its bytes changed", file="/srv/my arms/archive/tables/flags/p.parquet"),
        ArchiveError("cannot write to /var/lib/jointbook/p.parquet: full", todo="see /etc/fstab"),
        FileNotFoundError(2, "No such file or directory", "/usr/lib/x/p.parquet"),
        OSError(f"{tempfile.gettempdir()}/a b/c/p.parquet: cut"),
        ValueError(f"{Path.home()}/p.parquet is odd\nplan: /srv/secret"),
        ValueError("cannot open /srv/my arms/old logs of 2031/p.parquet: gone"),
        ValueError("cannot open '/srv/a very long name of my arms/p.parquet'"),
        ValueError("gone: file:///srv/my%20arms/p.parquet"),
        ValueError("gone: file://localhost/nowhere/else/my/arms/p.parquet (file:/srv/p)"),
        ValueError("gone: file:///srv/my arms/p.parquet"),
        ValueError(
            "[/tmp/my arms/p.parquet] and path=/root/my arms/p.parquet, arms:/srv/p.parquet"
        ),
        ValueError("p.parquet found neither in /tmp nor in /root; /usr/ has none"),
        FileNotFoundError(2, "Not here", f"/srv/my arms (x)/{'long/' * 50}p.parquet"),
        OSError(18, "Cross-device link", "/srv/o'brien/a.parquet", None, "/srv/my arms/p.parquet"),
    ],
)
def test_an_error_names_files_and_no_folder(error: Exception) -> None:
    text = failure_text(error)
    assert "p.parquet" in text
    assert not re.search(r"/(srv|var|etc|usr|tmp|home|root|my arms|lib|else)\b", text), text
    assert not re.search(r"brien|my.?(20)?arms", text), text
    assert "file:" not in text


@pytest.mark.parametrize(
    "text",
    ["A/m and 3/4", "joint J1: angle/rate", "see /session/s1 here", "1031-04-01/05", "https://a.b/c/d",
     "`jointbook archive repair` writes it", "and/or", "/",
     "s3://arms/tables/p", "/ or /", "~/logs/a.csv", "tmp/a.csv", "a file: /session/s1"],
)  # fmt: skip
def test_what_is_no_path_stays(text: str) -> None:
    assert failure_text(JointbookError(text)) == text
    assert without_folders(text) == text


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("/tmp and/or /etc/fstab", "tmp and/or fstab"),
        ("/srv/gone/a.csv and/or 3/4 of /srv/gone/b.csv", "a.csv and/or 3/4 of b.csv"),
        ("/srv/gone/my log.csv: row 3", "my log.csv: row 3"),
        ("/etc/ is 3/4 full", "etc is 3/4 full"),
        ("run `/usr/bin/env jointbook` in /srv/my arms/", "run `env jointbook` in my arms"),
    ],
)
def test_what_stands_around_a_path_stays(text: str, told: str) -> None:
    assert without_folders(text) == told


def test_a_folder_that_is_here_is_known_whatever_its_name(tmp_path: Path) -> None:
    folder = tmp_path / "arms, all (of 2031): the old ones"
    folder.mkdir()
    assert without_folders(f"cannot read {folder}/p.parquet: bad") == "cannot read p.parquet: bad"


def test_every_error_of_the_pages_goes_through_it() -> None:
    plain = re.compile(r"\.sentence\(\)|str\((error|e|err)\)|\{(error|e|err)\}")
    found = {
        path.relative_to(ROOT).as_posix()
        for path in (ROOT / "dashboards").rglob("*.py")
        if plain.search(path.read_text())
    }
    assert found == {"dashboards/failure_words.py", "dashboards/__main__.py"}


def dropped(hall: intake.Intake, **files: bytes) -> intake.Batch:
    name = hall.open()
    for file, content in files.items():
        hall.receive(name, file.replace("_", "."), io.BytesIO(content), len(content))
    return hall.batch(name)


def test_what_is_refused_on_its_way_in_names_no_folder(hall: intake.Intake, tmp_path: Path) -> None:
    batch = dropped(
        hall, log_csv=b"a,b\n1,2\n", bad_xlsx=b"PK\x03\x04 no", odd_parquet=b"PAR1..PAR1"
    )
    archive = open_archive(tmp_path / "archive", create=True)
    paths = [batch.folder / name for name in batch.logs]
    result = intake.take_here(archive, paths, [], None, lambda *_: None)
    assert len(result.refused) == 3
    words = [str(taken_in(result, "a")), *(intake.propose(path).trouble for path in paths)]
    words.append(intake.look(batch, "log.csv", "[log]\njoints = 1\n").trouble)
    assert any("log.csv" in w for w in words)
    assert not any("a room" in w or "/tmp" in w or "intake-" in w for w in words), words


SECRET = "arm = 'the secret of another file'"


def test_no_text_from_outside_is_taken_for_a_path(hall: intake.Intake, tmp_path: Path) -> None:
    secret = tmp_path / "secret.toml"
    secret.write_text(SECRET)
    archive = open_archive(tmp_path / "archive", create=True)
    batch = dropped(hall, log_csv=b"a,b\n1,2\n")
    paths = [batch.folder / name for name in batch.logs]
    with pytest.raises(ArmFileError) as arm:
        intake.take_here(archive, paths, [], str(secret), lambda *_: None)
    with pytest.raises(LogMapError) as log_map:
        intake.take_here(archive, paths, [str(secret)], None, lambda *_: None)
    for told in (arm, log_map):
        assert "TOML" in str(told.value)
        assert "secret of another" not in str(told.value)


ENTITY = """
[packets]
xtce_text = '''<?xml version="1.0"?>
<!DOCTYPE a [<!ENTITY secret SYSTEM "file://{path}">]>
<SpaceSystem xmlns="http://www.omg.org/spec/XTCE/20180204" name="&secret;">&secret;</SpaceSystem>'''
"""


def test_a_packet_description_takes_no_file_in(hall: intake.Intake, tmp_path: Path) -> None:
    """External entities of XML (OWASP, "XML External Entity Processing")."""
    from replay.logs import load_map
    from replay.logs.readers.packets import _definition

    secret = tmp_path / "secret.txt"
    secret.write_text("the secret")
    log_map = load_map(
        MAP.replace("joints = 2", 'joints = 2\nlayout = "long"') + ENTITY.format(path=secret)
    )
    assert str(secret) in log_map.packets["xtce_text"]
    try:
        made, _ = _definition(log_map, Path("log.bin"))
        told = str(vars(made))
    except LogMapError as error:
        told = str(error)
    assert told
    assert "the secret" not in told
