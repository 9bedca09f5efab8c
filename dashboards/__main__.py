"""Run the dashboard: ``python -m dashboards --archive DIR --port P``."""

from __future__ import annotations

import argparse
import contextlib
import logging
import sys
from collections.abc import Sequence

from werkzeug.serving import WSGIRequestHandler, make_server

from dashboards import shell, wire
from dashboards.app import create_app
from replay.errors import JointbookError

SWITCH_S = 0.0005
"""How long one thread may keep the others from Python. A window's answer takes many short turns;
with the usual 5 ms each of them waits for the background work's."""

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
    sys.setswitchinterval(SWITCH_S)
    with contextlib.suppress(KeyboardInterrupt):
        server = make_server(
            args.host, args.port, app.server, threaded=True, request_handler=_KeepOpen
        )
        shell.warm(app)
        print(f"jointbook on http://{args.host}:{args.port}/ (Ctrl-C stops it)", file=sys.stderr)
        server.serve_forever()
    return 0


class _KeepOpen(WSGIRequestHandler):
    """Keeps a browser's connection open between its requests."""

    protocol_version = "HTTP/1.1"


if __name__ == "__main__":
    raise SystemExit(main())
