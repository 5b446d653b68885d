"""The command line of `simulate`: its options, and the one place that loads what the extra `solar` brings."""

import argparse
import sys
import warnings

from dumpload.cli import console
from dumpload.cli.numbers import number, whole
from dumpload.cli.progress import Bar

_MOST_YEARS, _MOST_SEED, _MOST_METER = 1000, 999_999, 1000.0

# What `simulate.boat.Meter` has; that module needs the extra.
METER_OPTIONS = (
    ("voltage_step", "V", "resolution of the published voltage (default 0.01)"),
    ("voltage_noise", "V", "standard deviation of its noise (default 0.01)"),
    ("power_step", "W", "resolution of the published battery power (default 1)"),
    ("power_noise", "W", "standard deviation of its noise (default 3)"),
)


def add_simulate_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `simulate`."""
    parser.add_argument(
        "--weather",
        metavar="FILE",
        help="a CSV file with the columns time, direct_w_m2, diffuse_w_m2, air_c and wind_m_s, or a typical year: "
        "greensboro, sand-point, miami (default: the nearest in latitude)",
    )
    parser.add_argument(
        "--years",
        metavar="N",
        type=whole(0, _MOST_YEARS),
        default=20,
        help="number of resampled years behind the spread (default 20)",
    )
    parser.add_argument(
        "--seed",
        metavar="N",
        type=whole(0, _MOST_SEED),
        default=0,
        help="random seed for clouds, noise and the order of days (default 0)",
    )
    parser.add_argument(
        "--no-clouds",
        dest="clouds",
        action="store_false",
        help="assume even haze instead of passing clouds within each interval of the weather",
    )
    add_meter_arguments(parser)


def add_meter_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options that say how the simulated gateway publishes."""
    meter = number(0.0, _MOST_METER)
    for name, unit, help_text in METER_OPTIONS:
        parser.add_argument(
            f"--{name.replace('_', '-')}", dest=f"{name}_{unit.lower()}", metavar=unit, type=meter, help=help_text
        )


def run_simulate(args: argparse.Namespace) -> int:
    """Simulate and show it; return the exit code: 2 if an extra, a setting or the weather is missing."""
    _path, settings = console.load(args)
    try:
        from dumpload.simulate import run, summary, text
        from dumpload.simulate.boat import METER, BoatError
        from dumpload.simulate.engine import compiled_steps
        from dumpload.simulate.weather import WeatherError
    except ModuleNotFoundError as error:
        return console.fail_without(args, "simulate", "solar", error)
    options = {name: value for name in METER._fields if (value := getattr(args, name)) is not None}
    try:
        # pvlib asks pandas for what a later pandas will not have: nothing that a person can act on.
        with warnings.catch_warnings(), Bar(sys.stderr, "simulate") as bar:
            warnings.simplefilter("ignore")
            simulation = run.simulate(
                settings, args.weather, args.years, compiled_steps(console.say_error), bar.watch,
                seed=args.seed, clouds=args.clouds, meter=METER._replace(**options),
            )  # fmt: skip
    except (BoatError, WeatherError) as error:
        console.fail(args, str(error))
        return console.USAGE
    except run.SimulationInterrupted as interrupted:
        console.say_error(str(interrupted))
        return console.INTERRUPTED
    console.show(args, lambda: summary.simulation_document(simulation), lambda: text.simulation_text(simulation))
    return console.OK
