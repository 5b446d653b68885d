"""The command line of `simulate`: its options, and the one place that loads what the extra `solar` brings."""

import argparse
import sys
import warnings
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from dumpload.cli.progress import Bar

if TYPE_CHECKING:
    from dumpload.config.model import Settings

_MOST_YEARS = 1000
WITHOUT_EXTRA = (
    "simulate: expected the extra `solar` to be installed: pip install 'dumpload[solar]' ({name} is missing)"
)


class SimulateError(Exception):
    """Nothing was simulated; the message says why, `code` is the exit code."""

    def __init__(self, words: str, code: int = 2) -> None:
        super().__init__(words)
        self.code = code


def add_simulate_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `simulate`."""
    parser.add_argument(
        "--weather",
        metavar="FILE",
        help="a CSV file with the columns time, direct_w_m2, diffuse_w_m2, air_c and wind_m_s, or a typical year: "
        "greensboro, sand-point, miami (else the one nearest in latitude)",
    )
    parser.add_argument(
        "--years",
        metavar="N",
        type=_years,
        default=20,
        help="show the spread over N years of the same days in another order (default 20)",
    )


def _years(text: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) <= 4 and int(text) <= _MOST_YEARS):  # noqa: PLR2004
        msg = f"{text!r}: expected a whole number from 0 to {_MOST_YEARS}"
        raise argparse.ArgumentTypeError(msg)
    return int(text)


def run_simulation(
    args: argparse.Namespace, settings: "Settings", say: Callable[[str], None]
) -> tuple[Callable[[], Any], Callable[[], str]]:
    """Return what makes the document and the text of a simulation.

    Raises:
        SimulateError: an extra, a setting or the weather is missing, or a person ended it (`code` 130).
    """
    try:
        from dumpload.simulate import run, summary, text
        from dumpload.simulate.boat import BoatError
        from dumpload.simulate.engine import compiled_steps
        from dumpload.simulate.weather import WeatherError
    except ModuleNotFoundError as error:
        raise SimulateError(WITHOUT_EXTRA.format(name=error.name)) from None
    try:
        # pvlib asks pandas for what a later pandas will not have: nothing that a person can act on.
        with warnings.catch_warnings(), Bar(sys.stderr, "simulate") as bar:
            warnings.simplefilter("ignore")
            done = run.simulate(settings, args.weather, args.years, compiled_steps(say), bar.watch)
    except (BoatError, WeatherError) as error:
        raise SimulateError(str(error)) from None
    except run.SimulationInterrupted as interrupted:
        raise SimulateError(str(interrupted), 130) from None
    return (lambda: summary.simulation_document(done)), (lambda: text.simulation_text(done))
