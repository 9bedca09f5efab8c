"""Show an archive in the browser, served from this machine.

Binds 127.0.0.1 unless told otherwise. On any other address people have to sign
in (--users) and come by a name that you allow (--allowed-host); put a proxy
that speaks TLS in front (--proxy), since passwords travel.
"""

from __future__ import annotations

import argparse
import errno
import signal
import socket
import subprocess
import sys

from replay.archive import open_archive
from replay.cli.output import print_json
from replay.errors import UsageError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this verb's arguments."""
    parser.add_argument("--host", default="127.0.0.1", help="address to bind (127.0.0.1)")
    parser.add_argument("--port", type=int, default=8050, help="port (8050)")
    parser.add_argument(
        "--users",
        metavar="FILE",
        help="who may sign in; `jointbook users` makes it",
    )
    parser.add_argument(
        "--allowed-host",
        action="append",
        default=[],
        metavar="NAME",
        help="a name by which people come, with :port if it is not the usual one; others get 400",
    )
    parser.add_argument(
        "--proxy", metavar="ADDRESS", help="address of the one proxy whose headers are believed"
    )
    parser.add_argument(
        "--log", metavar="FILE", help="write every request as a line of JSON there; - for stderr"
    )


def run(args: argparse.Namespace) -> int:
    """Start the dashboard and wait for it to end.

    The dashboard runs as a program of its own, so that the engine does not
    import it.
    """
    _check_number(args.port)
    archive = open_archive(args.archive)
    check_port(args.host, args.port)
    if args.json:
        shown = f"[{args.host}]" if ":" in args.host else args.host
        print_json({"url": f"http://{shown}:{args.port}/", "archive": str(archive.root)})
        sys.stdout.flush()
    words = ["--archive", str(args.archive), "--host", args.host, "--port", str(args.port)]
    for option in ("users", "proxy", "log"):
        if getattr(args, option, None) is not None:
            words += [f"--{option}", getattr(args, option)]
    for name in getattr(args, "allowed_host", ()):
        words += ["--allowed-host", name]
    # -P: only what is installed, not a dashboards.py of the folder that one happens to be in
    child = subprocess.Popen([sys.executable, "-P", "-m", "dashboards", *words])
    signal.signal(signal.SIGTERM, lambda *_: child.terminate())
    while True:
        try:
            code = child.wait()
        except KeyboardInterrupt:
            continue  # the terminal has told the child too; wait for its end
        return 0 if code < 0 else code


def check_port(host: str, port: int) -> None:
    """Refuse a port that cannot be had, before anything is built for it.

    Raises
    ------
    UsageError
        It is no port, another program has it, or this user may not.
    """
    _check_number(port)
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as error:
            if error.errno == errno.EADDRINUSE:
                raise UsageError(
                    f"another program answers on port {port} of {host}, perhaps a dashboard that "
                    "is still open",
                    todo=f"stop it, or choose another: --port {port + 1 if port < 65535 else 8050}",
                ) from None
            raise UsageError(f"{host}:{port} cannot be used: {error.strerror}") from None


def _check_number(port: int) -> None:
    if not 0 < port < 65536:
        raise UsageError(f"port {port} is not between 1 and 65535")
