"""Run the dashboard: ``python -m dashboards --archive DIR --port P``."""

from __future__ import annotations

import argparse
import contextlib
import signal
import sys
from collections.abc import Sequence
from pathlib import Path

from dashboards.app import create_app
from dashboards.gate import journal
from dashboards.server import LOOPBACK, serve
from replay.accounts import Users
from replay.errors import JointbookError, UsageError


def main(argv: Sequence[str] | None = None) -> int:
    """Serve one archive until stopped."""
    parser = argparse.ArgumentParser(prog="python -m dashboards", description=__doc__)
    parser.add_argument("--archive", default="./archive", metavar="DIR")
    parser.add_argument("--host", default="127.0.0.1")
    parser.add_argument("--port", type=int, default=8050)
    parser.add_argument("--users", metavar="FILE")
    parser.add_argument("--allowed-host", action="append", default=[], metavar="NAME")
    parser.add_argument("--proxy", metavar="ADDRESS")
    parser.add_argument("--log", metavar="FILE")
    args = parser.parse_args(argv)
    try:
        names = allowed(args.host, args.users, args.allowed_host)
        app = create_app(args.archive, None if args.users is None else Users(Path(args.users)))
    except UsageError as error:
        print(f"jointbook serve: {error}", file=sys.stderr)
        return 2
    except JointbookError as error:
        print(f"jointbook serve: {error}", file=sys.stderr)
        return 1
    journal.keep(app.server, args.log)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    with contextlib.suppress(KeyboardInterrupt):
        serve(app, args.host, args.port, names=names, proxy=args.proxy)
    return 0


def allowed(host: str, users: str | None, names: Sequence[str]) -> list[str]:
    """Return the host names that requests may be for.

    Raises
    ------
    UsageError
        Anybody on a network could reach the archive, or nothing says under which name.
    """
    if users is not None and not Users(Path(users)).all():
        raise UsageError(
            "nobody could sign in: the users file has no user",
            file=users,
            todo="jointbook users add NAME --role administrator --users FILE",
        )
    if host in LOOPBACK:
        return [*LOOPBACK[:2], "[::1]", *names]
    if users is None:
        raise UsageError(
            f"on {host} others could reach this archive, and nobody has to sign in",
            todo="make a users file with `jointbook users add`, then --users FILE",
        )
    if not names:
        raise UsageError(
            f"on {host} it has to be said by which name people come",
            todo="--allowed-host NAME, as it stands in the browser's address",
        )
    return list(names)


if __name__ == "__main__":
    raise SystemExit(main())
