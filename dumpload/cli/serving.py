"""The commands `serve` and `password`: the live page, and who may look at it from elsewhere."""

import argparse
import getpass
import os
import re
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dumpload.files import Named, Output, write_outputs

if TYPE_CHECKING:
    from dumpload.config.model import Settings

OK, USAGE = 0, 2
MISSING = "expected the extra that serves the page: pip install 'dumpload[web]'"


Load = Callable[[argparse.Namespace], "tuple[Path, Settings]"]
Fail = Callable[[argparse.Namespace, str], None]


def add_page_commands(commands: Any, add: Callable[..., argparse.ArgumentParser], load: Load, fail: Fail) -> None:
    """Add both commands; `add` makes a parser with the options that most have, `load` reads the settings."""
    run = partial(run_serve, load=load, fail=fail)
    parser = add(commands, "serve", run, "show the heater and its reports to browsers, to read only")
    parser.add_argument("--listen", metavar="ADDRESS:PORT", help="where to listen (else web.listen: 127.0.0.1:8080)")
    parser.add_argument("--history", metavar="FILE", type=Path, help="the database (else history.path of the config)")
    words = "write a password file, for a page that other computers reach"
    parser = commands.add_parser("password", help=words, description=words)
    parser.set_defaults(run_command=partial(run_password, fail=fail), json=False)
    parser.add_argument("file", metavar="FILE", type=Path, help="the password file (web.password_file)")
    parser.add_argument("--name", default="owner", help="user name (owner); a second one is added to the file")


def run_serve(args: argparse.Namespace, *, load: Load, fail: Fail) -> int:
    """Serve the live page until a signal ends it."""
    if args.listen is not None:
        args.sets = [*args.sets, f'web.listen="{args.listen}"']
    path, settings = load(args)
    try:
        from dumpload.web.server import Origin, ServeError, run_server
    except ModuleNotFoundError as error:
        if (error.name or "").partition(".")[0] not in ("starlette", "uvicorn"):
            raise
        fail(args, f"dumpload serve: {MISSING}")
        return USAGE
    try:
        run_server(Origin(path, settings, args.history or settings.history.path), os.environ, _say)
    except ServeError as error:
        fail(args, str(error))
        return USAGE
    return OK


def run_password(args: argparse.Namespace, *, fail: Fail) -> int:
    """Ask for a password and write its hash into the file, readable by its owner only."""
    from dumpload.web.passwords import LEAST_CHARACTERS, MOST_BYTES, NAME, PasswordFileError, hashed, read_passwords

    if not re.fullmatch(NAME, args.name):
        fail(args, "--name: expected 1 to 64 letters, digits, -, _ or .")
        return USAGE
    try:
        people = read_passwords(args.file) if args.file.exists() else {}
    except PasswordFileError as error:
        fail(args, str(error))
        return USAGE
    password = _ask()
    if not (len(password) >= LEAST_CHARACTERS and len(password.encode()) <= MOST_BYTES):
        fail(args, f"expected a password of at least {LEAST_CHARACTERS} characters, the same one twice")
        return USAGE
    people[args.name] = hashed(password.encode())
    content = "".join(f"{one.line(name)}\n" for name, one in people.items())
    os.umask(0o077)
    write_outputs(
        [Output("FILE", args.file, content.encode())], [Named("settings", Path(name)) for name in args.searched]
    )
    return OK


def _ask() -> str:
    """Return what is typed twice, or the first line of what is piped in; "" if the two differ."""
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\n")
    first = getpass.getpass("Password: ")
    return first if getpass.getpass("Again: ") == first else ""


def _say(text: str) -> None:
    from dumpload.core.printable import one_line

    sys.stderr.write(f"{one_line(text)}\n")
    sys.stderr.flush()
