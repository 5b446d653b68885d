"""The options of `dumpload listen`, and whom to listen to: the broker of the settings, or one named on the line."""

import argparse
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dumpload.cli import console
from dumpload.commissioning.survey import Survey

if TYPE_CHECKING:
    from dumpload.commissioning.propose import Wish
    from dumpload.config.model import Settings
    from dumpload.mqtt import LinkOptions

USUAL_PORT = 1883
# Half a minute hears every signal of a gateway that publishes every few seconds several times.
USUAL_FOR_S = 30.0


def add_listen_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `listen` to its parser."""
    from dumpload.cli.periods import duration

    parser.add_argument("--for", dest="for_s", type=duration, default=USUAL_FOR_S, metavar="30s", help="how long")
    parser.add_argument(
        "--broker", metavar="HOST[:PORT]", type=broker, help="listen here without a config, and list every topic"
    )
    parser.add_argument("--username", help="user name for --broker")
    parser.add_argument("--password-file", type=Path, metavar="FILE", help="its password, on the first line")
    parser.add_argument(
        "--propose",
        action="append",
        default=[],
        metavar="'SIGNAL=TOPIC /POINTER'",
        help="print the [telemetry] settings for this signal (repeatable)",
    )


def add_init_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `init` to its parser."""
    from dumpload.cli.periods import duration

    parser.add_argument("file", nargs="?", type=Path, default=Path("dumpload.toml"), help="new file to write")
    parser.add_argument(
        "--set", dest="sets", action="append", default=[], metavar="KEY=VALUE", help="answer a question in advance"
    )
    parser.add_argument(
        "--propose", action="append", default=[], metavar="'SIGNAL=TOPIC /POINTER'", help="where a signal is published"
    )
    parser.add_argument(
        "--listen", dest="for_s", type=duration, metavar="30s", help="listen at the broker first, and show what arrives"
    )


def broker(text: str) -> tuple[str, int]:
    """Return host and port of HOST or HOST:PORT.

    Raises:
        argparse.ArgumentTypeError: it is neither.
    """
    host, colon, port = text.rpartition(":") if text.count(":") == 1 else (text, "", "")
    if not host or (colon and not (port.isascii() and port.isdigit() and 0 < int(port) < 2**16)):
        msg = f"{text[:40]!r}: expected HOST or HOST:PORT"
        raise argparse.ArgumentTypeError(msg)
    return host, int(port) if colon else USUAL_PORT


def listening(args: argparse.Namespace, load: "Callable[[], Settings] | None") -> "tuple[LinkOptions, Survey]":
    """Return how to connect and the survey to fill; `load` reads the settings (None: there are none)."""
    from dumpload.config.to_core import topic_fields
    from dumpload.config.to_mqtt import link_options

    if load is not None:
        settings = load()
        return link_options(settings), Survey(topic_fields(settings))
    host, port = args.broker
    return plain_options(host, port, args.username, args.password_file), Survey({})


def plain_options(host: str, port: int, username: str | None, password_file: Path | None) -> "LinkOptions":
    """Return how to connect to a broker without settings of its own: no encryption, no certificate."""
    from dumpload.mqtt import LinkOptions

    return LinkOptions(
        host=host,
        port=port,
        protocol="5",
        client_id="dumpload",
        keepalive_s=15,
        username=username,
        password_file=password_file,
        tls=False,
        ca_file=None,
        client_cert_file=None,
        client_key_file=None,
        subscriptions=(),
        will=None,
    )


def run_listen(args: argparse.Namespace) -> int:
    """Listen, and say what arrives or print the settings asked for; return the exit code.

    Raises:
        ConfigError: the settings, or what is to be proposed, cannot be used.
    """
    import asyncio
    import sys
    import time

    from dumpload.cli.progress import Bar
    from dumpload.commissioning.collect import NoBrokerError, collect
    from dumpload.commissioning.propose import parse_wish, propose
    from dumpload.commissioning.text import listen_document, listen_text

    wishes = [parse_wish(text) for text in args.propose]
    options, survey = listening(args, None if args.broker else lambda: console.load(args)[1])
    try:
        with Bar(sys.stderr, "listen") as bar:
            asyncio.run(collect(options, survey, args.for_s, bar.watch))
    except NoBrokerError as error:
        console.fail(args, str(error))
        return console.WRONG
    wall = time.time()
    if wishes:
        console.say(propose(survey, wishes, wall).rstrip("\n"))
    else:
        console.show(args, lambda: listen_document(survey, wall), lambda: listen_text(survey, args.for_s, wall))
    return console.OK if survey.topics and all(signal.values for signal in survey.signals.values()) else console.WRONG


def run_init(args: argparse.Namespace) -> int:
    """Ask, listen if wanted, and write the file; return the exit code.

    Raises:
        ConfigError: there is nobody to ask, and an answer is wrong or missing.
    """
    import sys

    from dumpload.commissioning.ask import interview
    from dumpload.commissioning.propose import parse_wish
    from dumpload.commissioning.questions import AFTER_SIGNALS, judge_text, settings_text
    from dumpload.files import write_new

    if args.file.exists():
        console.say_error(f"{args.file}: expected a new file; this one exists and was not changed")
        return console.USAGE
    wishes = [parse_wish(text) for text in args.propose]
    answers = {key: text for key, _, text in (setting.partition("=") for setting in args.sets)}
    talk = interview(answers, input if sys.stdin.isatty() else None, console.say)
    survey = _hear(args, talk.answers)
    wishes = talk.ask_for_topics(wishes)
    talk.ask_all(AFTER_SIGNALS)
    text = settings_text(talk.answers, _telemetry(survey, wishes), schema_address())
    judge_text(args.file, text)
    try:
        write_new(args.file, text.encode(), mode=0o644)
    except OSError as error:
        console.say_error(f"{args.file}: expected a file that can be written: {error.strerror}")
        return console.USAGE
    console.say(
        f"Written: {args.file}. Next, to test broker, signals and pin: dumpload check --live --config {args.file}"
    )
    console.say(f"To check the installation on paper: dumpload check --config {args.file}")
    return console.OK


def schema_address() -> str:
    """Return where the editor schema is, of an installed wheel or of a checkout; "" if it is nowhere."""
    import sys
    from pathlib import Path

    package = Path(__file__).resolve().parents[1]
    places = (Path(sys.prefix, "share/dumpload/config"), package.parent / "config")
    return next((str(place / "schema.json") for place in places if (place / "schema.json").is_file()), "")


def _hear(args: argparse.Namespace, answers: dict[str, Any]) -> Survey | None:
    """Listen at the broker of the answers, if asked to, and show what arrives; None where nothing was heard."""
    import asyncio
    import time

    from dumpload.commissioning.collect import NoBrokerError, collect
    from dumpload.commissioning.text import listen_text

    if args.for_s is None:
        return None
    survey = Survey({})
    options = plain_options(
        answers["mqtt.host"], answers["mqtt.port"], answers.get("mqtt.username"), answers.get("mqtt.password_file")
    )
    try:
        asyncio.run(collect(options, survey, args.for_s))
    except NoBrokerError as error:
        console.say_error(f"{error}; continuing without")
        return None
    console.say(listen_text(survey, args.for_s, time.time()))
    return survey


def _telemetry(survey: Survey | None, wishes: "Sequence[Wish]") -> str:
    import time

    from dumpload.commissioning.propose import propose
    from dumpload.commissioning.questions import plain_telemetry

    return plain_telemetry(wishes) if survey is None else propose(survey, wishes, time.time())
