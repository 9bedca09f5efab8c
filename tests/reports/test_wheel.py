"""The wheel, with no other file of the project about, verifies a bundle."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

from dashboards.shell import PLOTS

ROOT = Path(__file__).parents[2]
AWAY = shutil.ignore_patterns("__pycache__", "*.pyc")


def test_the_wheel_alone_verifies_a_bundle(made, tmp_path):
    source, home = tmp_path / "source", tmp_path / "home"
    source.mkdir()
    for name in ("replay", "dashboards"):
        shutil.copytree(ROOT / name, source / name, ignore=AWAY)
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(ROOT / name, source)
    build = ["-m", "pip", "wheel", "--quiet", "--no-deps", "--no-build-isolation", "--no-index"]
    subprocess.run(
        [sys.executable, *build, "--wheel-dir", tmp_path, source],
        check=True, capture_output=True, timeout=120,
    )  # fmt: skip
    with zipfile.ZipFile(next(tmp_path.glob("jointbook-*.whl"))) as wheel:
        wheel.extractall(home)
    assert [f.name for f in (home / "dashboards/assets/vendored").glob("*.js")] == [PLOTS]
    code = (
        "import sys, replay; print(replay.__file__, file=sys.stderr); "
        "from replay.cli.main import main; sys.exit(main(sys.argv[1:]))"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code, "bundle", "verify", str(made.path), "--json"],
        cwd=tmp_path, capture_output=True, text=True, check=False, timeout=120,
        env={"HOME": str(tmp_path), "PATH": "/usr/bin", "PYTHONPATH": str(home),
             "POLARS_MAX_THREADS": "1"},
    )  # fmt: skip
    assert ran.stderr.startswith(str(home)), "the wheel's own files were not the ones that ran"
    said = json.loads(ran.stdout)
    assert (ran.returncode, said["flags"], said["cleaned"]) == (0, "same", "same")
