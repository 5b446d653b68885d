"""The commands `serve` and `password`: the live page and its users."""

import argparse
import getpass
import os
import re
import sys
from pathlib import Path

from dumpload.cli import console
from dumpload.files import Named, Output, write_outputs

MISSING = "expected the extra that serves the page: pip install 'dumpload[web]'"


def add_serve_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `serve`."""
    parser.add_argument(
        "--listen", metavar="ADDRESS:PORT", help="address to listen on (default: web.listen, 127.0.0.1:8080)"
    )
    parser.add_argument(
        "--history", metavar="FILE", type=Path, help="history database (default: history.path of the config)"
    )


def add_password_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `password`."""
    parser.add_argument("file", metavar="FILE", type=Path, help="the password file (web.password_file)")
    parser.add_argument("--name", default="owner", help="user name (default: owner); other users in the file are kept")


def run_serve(args: argparse.Namespace) -> int:
    """Serve the live page until a signal ends it."""
    if args.listen is not None:
        args.sets = [*args.sets, f'web.listen="{args.listen}"']
    path, settings = console.load(args)
    try:
        from dumpload.web.server import Origin, ServeError, run_server
    except ModuleNotFoundError as error:
        if (error.name or "").partition(".")[0] not in ("starlette", "uvicorn"):
            raise
        console.fail(args, f"dumpload serve: {MISSING}")
        return console.USAGE
    try:
        run_server(Origin(path, settings, args.history or settings.history.path), os.environ, console.say_error)
    except ServeError as error:
        console.fail(args, str(error))
        return console.USAGE
    return console.OK


def run_password(args: argparse.Namespace) -> int:
    """Ask for a password and write its hash into the file, readable by its owner only."""
    from dumpload.web.passwords import LEAST_CHARACTERS, MOST_BYTES, NAME, PasswordFileError, hashed, read_passwords

    if not re.fullmatch(NAME, args.name):
        console.fail(args, "--name: expected 1 to 64 letters, digits, -, _ or .")
        return console.USAGE
    try:
        people = read_passwords(args.file) if args.file.exists() else {}
    except PasswordFileError as error:
        console.fail(args, str(error))
        return console.USAGE
    password = _ask()
    if not (len(password) >= LEAST_CHARACTERS and len(password.encode()) <= MOST_BYTES):
        console.fail(args, f"expected a password of at least {LEAST_CHARACTERS} characters, the same one twice")
        return console.USAGE
    people[args.name] = hashed(password.encode())
    content = "".join(f"{person.line(name)}\n" for name, person in people.items())
    os.umask(0o077)
    write_outputs(
        [Output("FILE", args.file, content.encode())], [Named("settings", Path(name)) for name in args.searched]
    )
    return console.OK


def _ask() -> str:
    """Return what is typed twice, or the first line of what is piped in; "" if the two differ."""
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\n")
    first = getpass.getpass("Password: ")
    return first if getpass.getpass("Again: ") == first else ""
