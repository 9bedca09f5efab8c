"""Build the demo archive from the sample logs and open it in the browser.

Ingests the logs of Heron, an invented arm, learns what its joints normally do,
checks every session, trends the wear and starts the dashboard. A second run
finds the logs already there and goes on. With --make it writes new logs
instead. The exit code is 1 only if a log was refused that should not have been:
one of the sample logs is broken on purpose.
"""

from __future__ import annotations

import argparse
import os
import sys
import threading
import time
import urllib.request
import webbrowser
from pathlib import Path

from replay.archive import Archive, open_archive
from replay.cli.logs.demo_building import Summary, build
from replay.cli.main import EXIT_DONE, EXIT_SET_ASIDE
from replay.cli.operations.serve import check_port
from replay.cli.output import Bar, print_json, print_table, say
from replay.errors import UsageError
from replay.wording import counted


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of this verb."""
    parser.add_argument("--logs", metavar="DIR", help="folder of demo logs (sample_logs)")
    parser.add_argument("--no-serve", action="store_true", help="stop before the dashboard")
    parser.add_argument("--host", default="127.0.0.1", help="address to bind (127.0.0.1)")
    parser.add_argument("--port", type=int, default=8050, help="port (8050)")
    making = parser.add_argument_group("writing new logs")
    making.add_argument("--make", metavar="DIR", help="write logs, maps, arm file and truth there")
    making.add_argument("--sessions", type=int, default=20, help="how many sessions (20)")
    making.add_argument("--hours", type=float, default=0.25, help="hours a session (0.25)")
    making.add_argument("--seed", type=int, default=1, help="another seed, another arm (1)")
    making.add_argument("--hertz", type=float, default=20.0, help="rows a second (20)")


def run(args: argparse.Namespace) -> int:
    """Run the verb; return its exit code."""
    if args.make is not None:
        return _make(args)
    if not args.no_serve:
        check_port(args.host, args.port)  # known now, not after a minute of building
    logs = _logs_folder(args.logs, args.archive)
    archive = open_archive(args.archive, create=True)
    _refuse_strangers(archive)
    summary = build(archive, logs)
    if args.json:
        print_json(summary.as_json(archive))
        sys.stdout.flush()
    else:
        _tell(summary, archive)
    code = EXIT_SET_ASIDE if summary.unexpected else EXIT_DONE
    if args.no_serve:
        return code
    return _serve(args) or code


def _make(args: argparse.Namespace) -> int:
    from replay.demo.writing.making import make

    for name in ("sessions", "hours", "hertz"):
        if not 0 < getattr(args, name) < float("inf"):
            raise UsageError(f"--{name} is {getattr(args, name)}", todo="give a number above 0")
    with Bar() as bar:
        paths = make(
            args.make,
            sessions=args.sessions,
            hours=args.hours,
            seed=args.seed,
            rate_hz=args.hertz,
            progress=lambda done, of: bar.show("writing logs", done, of),
        )
    size = sum(p.stat().st_size for p in paths)
    if args.json:
        print_json({"folder": args.make, "logs": [str(p) for p in paths], "bytes": size})
    else:
        say(f"{counted(len(paths), 'log')}, {size / 1e6:.1f} MB, in {args.make}")
        say(f"build an archive from them: jointbook demo --logs {args.make} --archive DIR")
    return EXIT_DONE


def _logs_folder(asked: str | None, archive: str) -> Path:
    """Return the folder of demo logs: the one asked for, else beside the source or the archive.

    Where there is none, as after an installation, the sample logs are written
    beside the archive: the same bytes as in the source.
    """
    from replay.demo.writing.sample import write_sample

    if asked:
        if (Path(asked) / "contents.toml").is_file():
            return Path(asked)
        raise UsageError(
            "no demo logs here: contents.toml is missing",
            file=asked,
            todo="leave --logs out, or write some with --make",
        )
    beside_source = Path(__file__).resolve().parents[2] / "sample_logs"
    beside_archive = Path(archive).absolute().parent / "sample_logs"
    for folder in (beside_source, Path.cwd() / "sample_logs", beside_archive):
        if (folder / "contents.toml").is_file():
            return folder
    say(f"writing the sample logs to {beside_archive}")
    write_sample(beside_archive)
    return beside_archive


def _refuse_strangers(archive: Archive) -> None:
    """Keep the demo out of an archive that holds somebody's own arm."""
    from replay.demo import heron

    sessions = archive.sessions()
    others = set(sessions["arm"]) - {heron.NAME} if sessions.height else set()
    if others:
        raise UsageError(
            f"this archive holds sessions of {', '.join(sorted(others))}",
            file=archive.root,
            todo="give the demo an archive of its own with --archive",
        )


def _tell(summary: Summary, archive: Archive) -> None:
    from replay.wear.assessment.saying import rate_unit

    say(f"{counted(summary.sessions, 'session')} in {archive.root}, {summary.added} of them new")
    for refusal in summary.refused:
        say(f"refused: {Path(refusal.source).name}: {refusal.reason}")
    say(f"{counted(summary.flags.height, 'flag')} against baseline {summary.baseline}; the first:")
    shown = [c for c in ("joint", "kind", "severity", "summary") if c in summary.flags.columns]
    if summary.flags.height:
        print_table(summary.flags.select(shown).head(8))
    for trend in summary.trends:
        if trend.result in ("rising", "falling") and trend.slope_per_year is not None:
            say(
                f"{trend.result}: {trend.serial} {trend.indicator} "
                f"{trend.slope_per_year:+.3g} {rate_unit(trend.unit)} a year"
            )
    say(f"built in {summary.seconds:.0f} s")


def _serve(args: argparse.Namespace) -> int:
    from replay.cli.operations import serve

    url = f"http://{args.host}:{args.port}/"
    say(f"the dashboard is at {url} (stop it with Ctrl-C)")
    threading.Thread(target=_open_when_up, args=(url,), daemon=True).start()
    args.json = False  # the one document was printed already
    return int(serve.run(args))


def _open_when_up(url: str) -> None:
    """Open the browser once the dashboard answers; no desktop, no browser."""
    desktop = sys.platform in ("darwin", "win32") or any(
        os.environ.get(name) for name in ("DISPLAY", "WAYLAND_DISPLAY")
    )
    for _ in range(120):
        try:
            with urllib.request.urlopen(url, timeout=2):
                break
        except OSError:
            time.sleep(0.5)
    else:
        return
    if desktop:
        webbrowser.open(url)
