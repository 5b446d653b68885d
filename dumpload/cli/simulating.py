"""The command line of `simulate`: its options, and the one place that loads what the extra `solar` brings."""

import argparse
import sys
import warnings

from dumpload.cli import console
from dumpload.cli.progress import Bar

_MOST_YEARS = 1000


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


def run_simulation(args: argparse.Namespace) -> int:
    """Simulate and show it; return the exit code: 2 if an extra, a setting or the weather is missing."""
    _path, settings = console.load(args)
    try:
        from dumpload.simulate import run, summary, text
        from dumpload.simulate.boat import BoatError
        from dumpload.simulate.engine import compiled_steps
        from dumpload.simulate.weather import WeatherError
    except ModuleNotFoundError as error:
        return console.fail_without(args, "simulate", "solar", error)
    try:
        # pvlib asks pandas for what a later pandas will not have: nothing that a person can act on.
        with warnings.catch_warnings(), Bar(sys.stderr, "simulate") as bar:
            warnings.simplefilter("ignore")
            simulation = run.simulate(settings, args.weather, args.years, compiled_steps(console.say_error), bar.watch)
    except (BoatError, WeatherError) as error:
        console.fail(args, str(error))
        return console.USAGE
    except run.SimulationInterrupted as interrupted:
        console.say_error(str(interrupted))
        return console.INTERRUPTED
    console.show(args, lambda: summary.simulation_document(simulation), lambda: text.simulation_text(simulation))
    return console.OK
