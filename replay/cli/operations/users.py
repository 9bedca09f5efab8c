"""Say who may sign in to a team's dashboard, and as what.

A reader looks; a reviewer also gives verdicts, pins and signs; a maintainer
also takes logs in, learns and checks; an administrator may do all. Passwords
are asked for, or read from standard input, and kept as Argon2id hashes.
"""

from __future__ import annotations

import argparse
import getpass
import sys
from pathlib import Path

import polars as pl

from replay.accounts import Role, Users
from replay.accounts.users import ABOUT
from replay.cli.output import print_json, print_table, say
from replay.errors import UsageError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("what", choices=["list", "add", "remove"], help="what to do")
    parser.add_argument("name", nargs="?", help="the user")
    parser.add_argument(
        "--users",
        metavar="FILE",
        required=True,
        help="users file, kept outside the archive; `jointbook serve --users` reads it",
    )
    parser.add_argument(
        "--role",
        choices=[r.word for r in Role],
        help="; ".join(f"{r.word}: {text}" for r, text in ABOUT.items()),
    )


def run(args: argparse.Namespace) -> int:
    """Run the verb."""
    users = Users(Path(args.users))
    if args.what != "list" and not args.name:
        raise UsageError(f"users {args.what} takes a name")
    if args.what == "add":
        if args.role is None:
            raise UsageError("users add takes --role", todo=", ".join(r.word for r in Role))
        known = users.find(args.name)
        users.put(args.name, Role[args.role.upper()], _password(args.name))
        say(f"{args.name} is {args.role} {'now' if known else 'from now on'}")
    elif args.what == "remove":
        users.remove(args.name)
        say(f"{args.name} is taken out; whoever is signed in by that name is out at once")
    rows = [{"name": u.name, "role": u.role.word} for u in users.all()]
    if args.json:
        print_json({"users": rows})
    elif args.what == "list":
        print_table(pl.DataFrame(rows, schema={"name": pl.String, "role": pl.String}))
    return 0


def _password(name: str) -> str:
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\n")
    first = getpass.getpass(f"password for {name}: ")
    if getpass.getpass("again: ") != first:
        raise UsageError("the two passwords differ", todo="try again")
    return first
