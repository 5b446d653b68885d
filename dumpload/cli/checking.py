"""The command `check`: the installation on paper, or (`--live`) what is connected, tried out.

What the daemon will need is tried one after the other, and neither history nor pin while a daemon has them.
"""

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dumpload.cli import console
from dumpload.cli.commissioning import USUAL_FOR_S

if TYPE_CHECKING:
    from dumpload.commissioning.broker import Rights
    from dumpload.commissioning.live import Step
    from dumpload.commissioning.survey import Survey
    from dumpload.config.model import Settings

CONFIRMATION = "RELAY ON"
WARNING = f"""\
This closes the relay for one second, which puts the heater on the battery. The tank must be full, the covers on and
everybody clear of the wiring. It does not replace an inspection by a licensed person. If the heater stays on, open the
isolator or run dumpload off. Type {CONFIRMATION} to continue: """


def add_check_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `check`."""
    from dumpload.cli.periods import duration

    parser.add_argument("--report", metavar="FILE.html", type=Path, help="also write the check as a page")
    parser.add_argument(
        "--live", action="store_true", help="test what is connected instead: broker, signals, history and pin"
    )
    parser.add_argument(
        "--for", dest="for_s", type=duration, default=USUAL_FOR_S, metavar="30s", help="with --live: how long to listen"
    )
    parser.add_argument(
        "--relay-test", action="store_true", help="with --live: close the relay for one second, once you confirm"
    )


def run_check(args: argparse.Namespace) -> int:
    """Check, and return the exit code: 1 if anything fails, or a question of safety is not answered."""
    if args.relay_test and not args.live:
        console.fail(args, "dumpload check: --relay-test needs --live")
        return console.USAGE
    if args.live and args.report:
        console.fail(args, "dumpload check: --report is for the check on paper; leave out --live")
        return console.USAGE
    path, settings = console.load(args)
    if args.live:
        return _check_live(args, path, settings)
    return _check_paper(args, path, settings)


def _check_paper(args: argparse.Namespace, path: Path, settings: "Settings") -> int:
    from dumpload.check.document import check_document, is_wrong
    from dumpload.check.sign import has_wrong_sign
    from dumpload.check.text import check_text
    from dumpload.config.instances import other_instances

    others = other_instances(path, args.searched[0])
    document = check_document(path, settings, others, wrong_sign=has_wrong_sign(settings))
    if args.report:
        from dumpload.check.page import check_page
        from dumpload.files import Output, write_outputs

        write_outputs(
            [Output("--report", args.report, check_page(document).encode())], console.named(args, path, settings)
        )
    console.show(args, lambda: document, lambda: check_text(document))
    return console.WRONG if is_wrong(document) else console.OK


def _check_live(args: argparse.Namespace, path: Path, settings: "Settings") -> int:
    """Run every live check and show the findings; return the exit code."""
    import time

    from dumpload.commissioning.live import Outcome, live_document, live_text, wrong_parts

    if args.relay_test and not sys.stdin.isatty():
        console.fail(args, "--relay-test: expected a terminal to confirm on; nothing was driven")
        return console.USAGE
    rights, survey, steps = _at_the_broker(settings, args.for_s)
    steps += _on_this_computer(args, path, settings, rights)
    wall, heading = time.time(), (str(path), settings.name)
    ready = f"start the daemon: dumpload run --config {path} (or its service)"
    console.show(
        args,
        lambda: live_document(*heading, steps, survey, wall),
        lambda: live_text(*heading, steps, survey, for_s=args.for_s, wall=wall, ready=ready),
    )
    was_tested = any(step.id == "relay" and step.outcome != Outcome.SKIPPED for step in steps)
    is_fine = was_tested >= args.relay_test and not wrong_parts(steps, survey, wall)
    return console.OK if is_fine else console.WRONG


def _at_the_broker(settings: "Settings", for_s: float) -> "tuple[Rights, Survey, list[Step]]":
    """Test the broker's permissions, then listen."""
    import asyncio
    import contextlib

    from dumpload.cli.progress import Bar
    from dumpload.commissioning.broker import ask_broker, broker_steps
    from dumpload.commissioning.collect import NoBrokerError, collect
    from dumpload.commissioning.survey import Survey
    from dumpload.config.to_core import topic_fields
    from dumpload.config.to_mqtt import base_topics, link_options

    options, topics, survey = link_options(settings), base_topics(settings), Survey(topic_fields(settings))
    rights = asyncio.run(ask_broker(options, topics.status, topics.presence))
    if not rights.trouble:
        # It was there a moment ago; if it is gone, no signal is live, and that is said.
        with contextlib.suppress(NoBrokerError), Bar(sys.stderr, "listen") as bar:
            asyncio.run(collect(options, survey, for_s, bar.watch))
    return rights, survey, broker_steps(rights, options, topics.status)


def _on_this_computer(args: argparse.Namespace, path: Path, settings: "Settings", rights: "Rights") -> "list[Step]":
    """Test history and pin, unless a daemon holds them."""
    from dumpload.commissioning.live import Outcome, Step

    if holder := _daemon(path, rights):
        parts = [("history", "History"), ("pin", "Pin")] + [("relay", "Relay")] * args.relay_test
        why = f"not tried: {holder}"
        return [Step(part, title, Outcome.SKIPPED, why) for part, title in parts]
    return [_history(settings), *_pin(args, settings)]


def _daemon(path: Path, rights: "Rights") -> str:
    """Return which daemon runs with these settings; "" if none is known."""
    import asyncio

    from dumpload.cli import nearby

    async def is_here(closed: list[Path]) -> bool:
        async with nearby.daemon_of(path, closed) as daemon:
            return daemon is not None

    closed: list[Path] = []
    stop = "stop it first (systemctl stop); the heater goes off"
    if asyncio.run(is_here(closed)):
        return f"the daemon with these settings is running and holds the line; {stop}"
    if rights.is_up:
        return f"a daemon of this name is up at the broker and holds its line; {stop}"
    if closed:
        return f"a daemon listens on {closed[0]}, which this user may not ask: try sudo"
    return ""


def _history(settings: "Settings") -> "Step":
    from dumpload.commissioning.live import Outcome, Step
    from dumpload.history.file import why_not_writable

    file = settings.history.path
    if file is None:
        return Step("history", "History", Outcome.SKIPPED, "no history is kept (history.path is not set)")
    if trouble := why_not_writable(file):
        return Step(
            "history", "History", Outcome.WRONG, f"{file}: {trouble}", "expected a file that this user can write"
        )
    return Step("history", "History", Outcome.OK, f"{file} can be written by this user")


def _pin(args: argparse.Namespace, settings: "Settings") -> "list[Step]":
    from dumpload.commissioning import relay_test
    from dumpload.daemon.bootstrap import pin_spec
    from dumpload.gpio.relay import RelayError

    spec, steps = pin_spec(settings), []
    try:
        with relay_test.claimed(spec) as relay:
            steps.append(relay_test.pin_step(relay, f"GPIO{spec.pin}", is_mock=spec.pin_factory == "mock"))
            if args.relay_test:
                steps.append(_relay(relay, settings.relay.feedback_s))
    except RelayError as error:
        return [*steps[1:], relay_test.refused_step(error)]
    return steps


def _relay(relay: Any, feedback_s: float) -> "Step":
    from dumpload.commissioning import relay_test
    from dumpload.commissioning.live import Outcome, Step

    sys.stderr.write(WARNING)
    sys.stderr.flush()
    if sys.stdin.readline().strip() != CONFIRMATION:
        return Step("relay", "Relay", Outcome.SKIPPED, "not confirmed; nothing was driven")
    return relay_test.relay_step(relay_test.close_for_a_second(relay, feedback_s), feedback_s)
