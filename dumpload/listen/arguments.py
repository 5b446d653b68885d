"""The options of `dumpload listen`, and whom to listen to: the broker of the settings, or one named on the line."""

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from dumpload.listen.survey import Survey

if TYPE_CHECKING:
    from dumpload.config import Settings
    from dumpload.io.mqtt_types import LinkOptions

USUAL_PORT = 1883
# Half a minute hears every signal of a gateway that publishes every few seconds several times.
USUAL_FOR_S = 30.0


def add_listen_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `listen` to its parser."""
    from dumpload.cli import duration  # late: the parser of that module asks for these options  # noqa: PLC0415

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
    from dumpload.broker import link_options  # noqa: PLC0415
    from dumpload.io.mqtt_types import LinkOptions  # noqa: PLC0415
    from dumpload.setup import topic_fields  # noqa: PLC0415

    if load is not None:
        settings = load()
        return link_options(settings), Survey(topic_fields(settings))
    host, port = args.broker
    options = LinkOptions(
        host=host,
        port=port,
        protocol="5",
        client_id="dumpload",
        keepalive_s=15,
        username=args.username,
        password_file=args.password_file,
        tls=False,
        ca_file=None,
        client_cert_file=None,
        client_key_file=None,
        subscriptions=(),
        will=None,
    )
    return options, Survey({})
