"""The order of the rooms holds: data flows one way through the imports."""

import ast
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]


def imported_modules(path: Path) -> set[str]:
    """Return the absolute module names that a file imports, at any depth."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            found.add(node.module)
    return found


def test_engine_never_imports_the_dashboard():
    files = list((ROOT / "replay").rglob("*.py"))
    assert len(files) > 20
    guilty = [
        str(f)
        for f in files
        if any(m.split(".")[0] in ("dashboards", "dash") for m in imported_modules(f))
    ]
    assert guilty == []


def test_layers_hold():
    done = subprocess.run(
        [Path(sys.executable).with_name("lint-imports"), "--no-cache"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout


def top_level_names() -> set[str]:
    """Return what stands at the top: what git tracks, or what a source archive holds."""
    listed = None
    if (ROOT / ".git").exists() and shutil.which("git"):
        listed = subprocess.run(
            ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
        ).stdout.split("\n")
    names = listed if listed is not None else [p.name for p in ROOT.iterdir()]
    made = {"archive", "build", "dist"}
    top = {name.split("/")[0] for name in names if name}
    return {n for n in top if not n.startswith(".") and not n.endswith(".egg-info")} - made


def test_top_level_holds_nothing_but_the_agreed_rooms():
    assert top_level_names() == {
        "README.md",
        "DEVELOPERS.md",
        "LICENSE",
        "pyproject.toml",
        "replay",
        "dashboards",
        "tests",
        "sample_logs",
    }
