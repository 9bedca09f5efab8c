"""Run the dashboard: ``python -m dashboards --archive DIR --port P``."""

from __future__ import annotations

import argparse
import logging
import sys
from collections.abc import Sequence

from dashboards import wire
from dashboards.app import create_app
from replay.errors import JointbookError

LOOPBACK = ("127.0.0.1", "localhost", "::1")


def main(argv: Sequence[str] | None = None) -> int:
    """Serve one archive until stopped."""
    parser = argparse.ArgumentParser(prog="python -m dashboards", description=__doc__)
    parser.add_argument("--archive", default="./archive", metavar="DIR")
    parser.add_argument("--host", default="127.0.0.1")
    parser.add_argument("--port", type=int, default=8050)
    args = parser.parse_args(argv)
    logging.getLogger("werkzeug").setLevel(logging.WARNING)
    try:
        app = create_app(args.archive)
    except JointbookError as error:
        print(f"jointbook serve: {error}", file=sys.stderr)
        return 1
    if args.host in LOOPBACK:
        wire.trust_only(app.server, [*LOOPBACK[:2], "[::1]"])
    else:
        print(
            f"Anyone who reaches {args.host}:{args.port} can read this archive and change it; "
            "there is no password.",
            file=sys.stderr,
        )
    print(f"jointbook on http://{args.host}:{args.port}/ (Ctrl-C stops it)", file=sys.stderr)
    try:
        app.run(host=args.host, port=args.port, debug=False)
    except OSError as error:
        print(f"jointbook serve: port {args.port}: {error.strerror}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
