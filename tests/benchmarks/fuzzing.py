"""Coverage-guided fuzzing of what comes from outside: readers, log maps, arm files, addresses,
requests to the server and its callbacks.

By hand, so long as one likes: ``python -m tests.benchmarks.fuzzing reader --seconds 3600 --keep
DIR``. Atheris (libFuzzer for Python) changes inputs toward lines of ours that none reached
before. Whatever is no error of our own family is a find: it is written to ``DIR`` and ends the
run, as do 300 s (of the wall: the machine may be busy) or 3 GB for one input of 2 kB. The short
forms are `tests/logs/test_fuzzing.py` and, for a server, `tests/gate/test_asked_anything.py`.
libFuzzer ends its process on the spot, so it has one of its own, and what that left in its
temporary folder goes with it.
"""

from __future__ import annotations

import argparse
import contextlib
import functools
import json
import logging
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import atheris

with atheris.instrument_imports(include=["replay.logs", "replay.arm", "dashboards.links"]):
    from dashboards import links
    from replay.arm import load_arm
    from replay.logs import load_map
    from replay.logs.proposing.propose import propose
    from replay.logs.readers.open_log import open_log

from replay.errors import JointbookError

SERVED = ("routes", "callbacks")
"""Targets that ask a running dashboard: `fuzzing_requests`, `fuzzing_server`."""
MOST_BYTES = {
    "reader": 2048, "address": 2048, "log_map": 8192, "arm": 8192, "routes": 4096,
    "callbacks": 32768,
}  # fmt: skip
"""Of an input; an arm file that is cut is none."""
HERE = Path(__file__).parents[2]
Target = tuple[Callable[[bytes], None], dict[str, Any]]


class Round(AssertionError):
    """What was read, written and read again is another thing."""


def reader(content: bytes, folder: Path) -> None:
    """Open a file of these bytes, read its rows and propose a map for it."""
    path = folder / "log.csv"  # the content decides which reader takes it
    path.write_bytes(content)
    scratch = Path(tempfile.mkdtemp(dir=folder))
    try:
        raw = open_log(path, scratch)
        propose(raw)
    except JointbookError:
        pass
    finally:
        shutil.rmtree(scratch)


def log_map(content: bytes, folder: Path) -> None:
    """Read a log map of this text."""
    _text(load_map, content)


def arm(content: bytes, folder: Path) -> None:
    """Read an arm file of this text."""
    _text(load_arm, content)


def address(content: bytes, folder: Path) -> None:
    """Read an address, write it and read it again."""
    view = links.read(content.decode("utf-8", "replace"))
    again = links.read(links.href("replay", view).partition("?")[2])
    if (again.session, again.start_ns, again.joints) != (view.session, view.start_ns, view.joints):
        raise Round(f"{view} became {again}")


def _text(load: Callable[[str], object], content: bytes) -> None:
    with contextlib.suppress(JointbookError):
        load("\n" + content.decode("utf-8", "replace"))  # a text, and no file's name


TARGETS = {"reader": reader, "log_map": log_map, "arm": arm, "address": address}

_SEEDS = {
    "log_map": ("tests/data/maps/*.toml", "sample_logs/**/*.toml"),
    "arm": ("sample_logs/**/*.toml",),
    "reader": ("tests/data/*.csv", "sample_logs/**/*.csv"),
}
_ADDRESSES = (
    "?session=s1&from=2031-03-01T00:00:00.5Z&to=2031-03-01T00:00:09Z&joints=J1,J3&flag=f2",
    "?at=2031-03-01T00:00:00.123456789Z&mark=2031-03-01T00:00:01Z&by=rate_deg_s&k=7",
)
_LOGS = (
    b"time,J1 angle [deg],J1 current [A]\n2031-04-01T00:00:00Z,1.5,0.2\n2031-04-01T00:00:01Z,2,3\n",
    b'{"t": 1.5, "j1": {"q": 0.1, "i": 2}}\n{"t": 1.6, "j1": {"q": 0.2, "i": 2}}\n',
    b"# made by hand\nzeit;winkel;strom\ns;Grad;A\n0,1;1,5;0,2\n0,2;1,6;0,3\n",
    b"time\tchannel\tvalue\n0.1\tJ1.q\t1\n0.1\tJ1.i\t2\n0.2\tJ1.q\t1\n",
)


_VALUES = (
    "", "0", "-1", "1e400", "nan", "inf", "true", "[]", "{}", "[[1]]", '""', '"deg"', '"J1"',
    "9" * 30, "1979-05-27T07:32:00Z", "[1, 2, 3]", '["", ""]', '{a = 1}', '"\\u0000"', "0.5",
    '"' + "x" * 300 + '"', "[0.0, 0.0, 0.0]", '"%"', '"../a"', '"{n}"', "-0.0", "1e-320",
)  # fmt: skip


def of_lines(content: bytes, most: int, seed: int) -> bytes:
    """Change a text of `key = value` lines so that it mostly stays one."""
    draw = random.Random(seed)
    if draw.random() < 0.2:
        return bytes(atheris.Mutate(content, most))
    lines = content.decode("utf-8", "replace").split("\n")
    for _ in range(draw.randint(1, 3)):
        at = draw.randrange(len(lines))
        key, equals, _ = lines[at].partition("=")
        what = draw.random()
        if what < 0.6 and equals:
            lines[at] = f"{key}= {draw.choice(_VALUES)}"
        elif what < 0.75:
            lines.insert(draw.randrange(len(lines) + 1), lines[at])
        elif what < 0.9 and len(lines) > 1:
            del lines[at]
        else:
            other = draw.randrange(len(lines))
            lines[at], lines[other] = lines[other], lines[at]
    return "\n".join(lines).encode()[:most]


def seeds(target: str, folder: Path) -> None:
    """Write what a run begins with."""
    found = [p for pattern in _SEEDS.get(target, ()) for p in sorted(HERE.glob(pattern))]
    begins = [p.read_bytes()[: MOST_BYTES[target]] for p in found]
    begins += {"address": [a.encode() for a in _ADDRESSES], "reader": list(_LOGS)}.get(target, [])
    for n, content in enumerate(begins):
        (folder / f"seed{n}").write_bytes(content)


def main() -> None:
    """Fuzz one target; this process ends with libFuzzer's code, 0 where nothing was found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("target", choices=[*TARGETS, *SERVED])
    parser.add_argument("--seconds", type=int, default=60)
    parser.add_argument("--runs", type=int, default=-1, help="so many, from a fixed beginning")
    parser.add_argument("--keep", type=Path, help="folder of the inputs that are worth it")
    parser.add_argument("--archive", type=Path, help="what a server shows; made when not given")
    parser.add_argument("--place", type=Path, help="where it works; in memory when not given")
    parser.add_argument("--within", type=Path, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.within is None:
        sys.exit(in_a_process(args.keep, args.place))
    fuzz(args, args.within, args.keep)


def in_a_process(keep: Path | None, place: Path | None) -> int:
    """Fuzz in a process whose temporary folder is gone afterwards; return its code."""
    if place is None and Path("/dev/shm").is_dir():
        place = Path("/dev/shm")
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))
    kept = keep or Path(tempfile.mkdtemp(prefix="jointbook-fuzz-kept-"))
    with tempfile.TemporaryDirectory(prefix="jointbook-fuzz-", dir=place) as folder:
        words = [sys.executable, "-m", "tests.benchmarks.fuzzing", *sys.argv[1:]]
        words += ["--within", folder, "--keep", str(kept)]
        with subprocess.Popen(words, env=os.environ | {"TMPDIR": folder}) as running:
            try:
                code = running.wait()
            finally:
                running.kill()
    if keep is None and code == 0:
        shutil.rmtree(kept)
    return code


def fuzz(args: argparse.Namespace, folder: Path, kept: Path) -> None:
    """Fuzz in this process, which libFuzzer ends."""
    logging.disable()
    kept.mkdir(parents=True, exist_ok=True)
    once, mutator = (
        served(args, folder, kept) if args.target in SERVED else read(args, folder, kept)
    )
    how = [
        f"-max_total_time={args.seconds}",
        f"-runs={args.runs}",
        f"-seed={1 if args.runs > 0 else 0}",
        f"-max_len={MOST_BYTES[args.target]}",
        "-timeout=300",
        "-rss_limit_mb=3000",
        f"-artifact_prefix={kept}{os.sep}find-",
        "-print_final_stats=1",
    ]

    atheris.Setup([sys.argv[0], *how, str(kept)], once, **mutator)
    atheris.Fuzz()


def read(args: argparse.Namespace, folder: Path, kept: Path) -> Target:
    """Return what reads one input, and what changes it."""
    seeds(args.target, kept)

    def once(content: bytes) -> None:
        TARGETS[args.target](content, folder)

    return once, {"custom_mutator": of_lines} if args.target in ("log_map", "arm") else {}


def served(args: argparse.Namespace, folder: Path, kept: Path) -> Target:
    """Return what sends one input to a server, and what changes it."""
    from tests.benchmarks.fuzzing_changes import changed
    from tests.benchmarks.fuzzing_requests import Requests  # begins a server's programs
    from tests.benchmarks.fuzzing_server import Server, made_archive

    server = Server(args.archive or made_archive(folder / "made"), folder)
    requests = Requests(server)
    begins = requests.of_routes() if args.target == "routes" else requests.of_callbacks()
    for n, case in enumerate(begins):
        (kept / f"seed{n}").write_bytes(json.dumps(case).encode())

    def once(content: bytes) -> None:
        try:
            case = json.loads(content)
        except ValueError:
            return
        if isinstance(case, dict):
            server.hold(case)

    return once, {"custom_mutator": functools.partial(changed, names=requests.names)}


if __name__ == "__main__":
    main()
