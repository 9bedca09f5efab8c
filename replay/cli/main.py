"""The command line: one file a verb, found by the table below.

A verb's module has ``add_arguments(parser)`` and ``run(args) -> int``. Its
docstring's first line is its help. Results go to standard output, everything
else to standard error. Exit codes: 0 done, 1 done but something was refused
or set aside, 2 wrong usage.
"""

from __future__ import annotations

import contextlib
import importlib
import os
import signal
import sys
import threading
from typing import TYPE_CHECKING

from replay.cli.lost_interrupts import sent_again
from replay.errors import JointbookError, UsageError

if TYPE_CHECKING:  # loaded within `main`, so that a stop in the first second is told as one
    import argparse
    from collections.abc import Iterator, Sequence

FOLDERS = {
    "demo": "logs",
    "map": "logs",
    "arm": "logs",
    "ingest": "logs",
    "sessions": "logs",
    "learn": "checking",
    "check": "checking",
    "flags": "checking",
    "queue": "reviewing",
    "verdict": "reviewing",
    "sign": "reviewing",
    "report": "reviewing",
    "bundle": "reviewing",
    "record": "reviewing",
    "backtest": "checking",
    "mechanics": "wear",
    "outliers": "checking",
    "wear": "wear",
    "archive": "operations",
    "users": "operations",
    "serve": "operations",
}
"""Verb to the folder that it lies in, in the order of the help."""

VERBS: tuple[str, ...] = tuple(FOLDERS)

EXIT_DONE, EXIT_SET_ASIDE, EXIT_USAGE = 0, 1, 2
EXIT_STOPPED = 128 + signal.SIGINT


def program_version() -> str:
    """Return the version of the program, as it is installed."""
    from importlib import metadata

    try:
        return metadata.version("jointbook")
    except metadata.PackageNotFoundError:
        return "not installed"


def build_parser(only: str | None = None) -> argparse.ArgumentParser:
    """Return the parser; with ``only``, load just that verb's module."""
    import argparse

    class _Version(argparse.Action):
        """Read the version only when it is asked for."""

        def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
            print(f"jointbook {program_version()}")
            parser.exit()

    parser = argparse.ArgumentParser(
        prog="jointbook",
        description="Review what a robot arm's joints did. It advises; it never clears an arm "
        "to move: the operator's own rules decide.",
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="say the version and stop")
    verbs = parser.add_subparsers(dest="verb", metavar="COMMAND", required=True)
    for verb in VERBS:
        if only is not None and verb != only:
            verbs.add_parser(verb)
            continue
        module = importlib.import_module(f"replay.cli.{FOLDERS[verb]}.{verb}")
        summary = (module.__doc__ or "").strip().splitlines()[0]
        sub = verbs.add_parser(
            verb,
            help=summary,
            description=module.__doc__,
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        sub.add_argument(
            "--archive", default="./archive", metavar="DIR", help="archive folder (./archive)"
        )
        sub.add_argument("--json", action="store_true", help="one JSON document on standard output")
        module.add_arguments(sub)
        sub.set_defaults(run=module.run)
    return parser


_NAMING = ("session", "sessions", "subject")
"""Arguments that may name sessions."""


@contextlib.contextmanager
def stopping_while_loading() -> Iterator[None]:
    """Let an interrupt end the process at once while modules are loaded.

    An interrupt raised inside a library's initialisation comes out as that library's own
    error. Nothing is open or half-written yet, so the process can simply end. What a command
    loads later, when it runs, is looked at where its error arrives (`main`).
    """

    def stop(*_: object) -> None:
        os.write(2, b"stopped\n")
        os._exit(EXIT_STOPPED)

    here = threading.current_thread() is threading.main_thread()
    # an interrupt that the caller ignores (a shell's background job) stays ignored
    if not here or signal.getsignal(signal.SIGINT) is not signal.default_int_handler:
        yield
        return
    signal.signal(signal.SIGINT, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, signal.default_int_handler)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    words = list(sys.argv[1:] if argv is None else argv)
    only = words[0] if words and words[0] in VERBS else None
    if words and only is None and not words[0].startswith("-"):
        from replay.cli.known import nearest

        near = ", ".join(nearest(words[0], VERBS))
        todo = f"nearest: {near}" if near else "jointbook --help lists them"
        print(f"jointbook: no command {words[0]!r} ({todo})", file=sys.stderr)
        return EXIT_USAGE
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # a file's name may hold what no encoding can say
            stream.reconfigure(errors="backslashreplace")
    with stopping_while_loading():
        args = build_parser(only).parse_args(words)
    try:
        if only != "ingest" and any(getattr(args, k, None) for k in _NAMING):
            from replay.cli.ids import complete

            complete(args)
        with sent_again():
            return int(args.run(args))
    except UsageError as error:
        print(f"jointbook {args.verb}: {error}", file=sys.stderr)
        return EXIT_USAGE
    except JointbookError as error:
        print(f"jointbook {args.verb}: {error}", file=sys.stderr)
        return EXIT_SET_ASIDE
    except BrokenPipeError:
        return EXIT_DONE
    except OSError as error:
        # Mostly a file named on the command line that cannot be written.
        print(f"jointbook {args.verb}: {error}", file=sys.stderr)
        return EXIT_SET_ASIDE
    except KeyboardInterrupt:
        print("stopped", file=sys.stderr)
        return EXIT_STOPPED
    except ImportError as error:
        if not isinstance(error.__cause__ or error.__context__, KeyboardInterrupt):
            raise
        print("stopped", file=sys.stderr)
        return EXIT_STOPPED


if __name__ == "__main__":
    raise SystemExit(main())
