"""Scores the closed-loop replay on boats that it has never seen: `python tests/bench/proof/run.py --cache FOLDER`.

Nine worlds x 13 pairs of settings (A, with which a record was made, and B, which is asked about) x six sets of
signals, 60 days each. Truth is the same world run under B, with the same sun, household, draws and noise. The program
is asked as a user would ask it, by its command line, with a record as CSV and two settings files. A pair whose B reads
a signal that the set does not have is left out.

How forecaster and proof were kept apart. The plant, the law, the sky and the household here were written by another
developer than the forecaster, at the same time, on another branch; neither read the other's. Nothing of
`dumpload.physics`, `dumpload.simulate` or the replay is imported, and the equations are others (see `plant.py`).
Worlds, pairs and seeds were fixed and committed before the forecaster could be run at all, with a look at the truths
only: seasons and households were chosen so that sun is scarce enough for settings to matter. After that nothing in
`sky`, `household`, `rule`, `plant` or `worlds` was changed for what a score said; the names of cached records are a
hash of those files. What the two do have in common: the settings' keys, the demands that both were written from, and
the weather years of pvlib's wheel. Nothing here was measured on a boat.

Since then the forecaster has been mended by somebody who had read the nine worlds: these are blind no more.
`--drawn SEED` asks about others, drawn at random (`drawn.py`; its ranges were set with a look at truths only). Such a
score is blind if the seed was chosen after the forecaster was frozen, and the first time only. What they share with the
fixed ones is the plant, which those scores have made known.
"""

import argparse
import os
import random
import sys
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor, as_completed
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[2]))  # the folder `tests`

QUICK_PAIRS = ("cut-in 97 > 95", "band 98/96 > 88/75", "voltage added", "never ran > 97/93")
QUICK_WORLDS = 2  # the first ones: a charger that floats, and one that stops
# In this order they are asked about: the required ones first, so that a table of a part is one of what matters most.
ORDER = ("SoC V Pbat Pload", "SoC V Pbat Psolar", "SoC V Pbat", "all six", "SoC V", "SoC")


def arguments(given: Sequence[str] | None = None) -> argparse.Namespace:
    """Return what was asked for on the command line."""
    parser = argparse.ArgumentParser(description="score the closed-loop replay on a plant of its own")
    default = Path(tempfile.gettempdir()) / "dumpload-proof"
    parser.add_argument("--cache", type=Path, default=default, metavar="FOLDER", help=f"records, answers ({default})")
    parser.add_argument("--quick", action="store_true", help="two worlds x four pairs")
    parser.add_argument("--drawn", type=int, metavar="SEED", help="worlds drawn at random instead of the fixed ones")
    parser.add_argument("--count", type=int, default=9, metavar="N", help="how many are drawn (9)")
    parser.add_argument("--sets", nargs="+", choices=ORDER, default=ORDER, help="sets of signals (all)")
    parser.add_argument("--worlds", nargs="+", help="names of worlds, or how they begin (all)")
    parser.add_argument("--python", default=sys.executable, help="interpreter that has the program to be scored")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="questions at a time (one a core)")
    parser.add_argument("--most", type=int, metavar="N", help="ask no more than N pairs of each set: a fair sample")
    parser.add_argument("--known", action="store_true", help="only what has been answered before: ask nothing new")
    parser.add_argument("--no-open", dest="opened", action="store_false", help="do not ask the open loop anew")
    parser.add_argument("--truth", action="store_true", help="print what is true of each world, and ask nothing")
    return parser.parse_args(given)


def main() -> None:
    """Generate what is not in the cache, ask, and print the table."""
    wanted = arguments()
    wanted.cache.mkdir(parents=True, exist_ok=True)
    os.environ.setdefault("NUMBA_CACHE_DIR", str(wanted.cache / "numba"))  # before numba is loaded
    from bench.proof import asking, drawn, table, worlds

    every = worlds.WORLDS if wanted.drawn is None else drawn.drawn_worlds(wanted.drawn, wanted.count)
    some = [world for number, world in enumerate(every) if _is_chosen(number, world.name, wanted)]
    pairs = [pair for pair in worlds.PAIRS if not wanted.quick or pair.name in QUICK_PAIRS]
    cases = _cases(some, pairs, wanted)
    if wanted.truth:
        for line in _truths(cases, pairs):
            print(line)
        return
    questions = _questions(cases, pairs, wanted)
    key = asking.tool_key(wanted.python)
    results = _answers(questions, wanted, key)
    print(f"{len(results)} answers of {len(questions)}; sources of the program {key}, of the worlds {_worlds_key()}")
    print("" if wanted.drawn is None else f"{wanted.count} worlds drawn from seed {wanted.drawn}\n")
    for line in table.lines(results):
        print(line)


def _questions(cases: Sequence[Any], pairs: Sequence[Any], wanted: argparse.Namespace) -> list[Any]:
    """Return what is asked, set by set, mixed within a set: what an interrupted run has asked is a fair sample."""
    from bench.proof.worlds import SETS

    mixed = [(case, pair) for case in cases for pair in pairs]
    random.Random(1).shuffle(mixed)  # noqa: S311
    questions = []
    for signals in wanted.sets:
        heard = set(SETS[signals])
        some = [(case, pair, signals) for case, pair in mixed if heard.issuperset(pair.needs)]
        questions += some[: wanted.most]
    return questions


def _is_chosen(number: int, name: str, wanted: argparse.Namespace) -> bool:
    if wanted.worlds:
        return name.startswith(tuple(wanted.worlds))
    return not wanted.quick or number < QUICK_WORLDS


def _cases(some: Sequence[Any], pairs: Sequence[Any], wanted: argparse.Namespace) -> list[Any]:
    from bench.proof.truth import Case, generate

    with ProcessPoolExecutor(wanted.jobs) as pool:
        runs = [pool.submit(generate, world, pairs, wanted.cache) for world in some]
        for done, run in enumerate(as_completed(runs), 1):
            _progress(f"worlds {done}/{len(runs)}: {run.result()}")
    return [Case(world, wanted.cache) for world in some]


def _answers(questions: Sequence[Any], wanted: argparse.Namespace, key: str) -> list[Any]:
    from bench.proof.asking import Folders, ask

    folders = Folders(wanted.cache / f"answers-{_worlds_key()}-{key}", wanted.cache / f"open-{_worlds_key()}")
    for folder in folders:
        folder.mkdir(exist_ok=True)
    results = {}
    with ThreadPoolExecutor(wanted.jobs) as pool:
        runs = {
            pool.submit(ask, *question, wanted.python, folders, closed=not wanted.known, opened=wanted.opened): number
            for number, question in enumerate(questions)
        }
        for done, run in enumerate(as_completed(runs), 1):
            results[runs[run]] = run.result()
            _progress(f"answers {done}/{len(questions)}")
    print(file=sys.stderr)
    return [results[number] for number in sorted(results) if results[number] is not None]


def _truths(cases: Sequence[Any], pairs: Sequence[Any]) -> Iterator[str]:
    yield "| world | pair | A Wh/day | B Wh/day | A switch-ons | B switch-ons | B caught Wh/day |"
    yield "| --- | --- | --- | --- | --- | --- | --- |"
    from bench.proof.worlds import DAYS

    for case in cases:
        for pair in pairs:
            a, b = case.truth(pair.recorded), case.truth(pair.asked)
            yield (
                f"| {case.world.name} | {pair.name} | {a.energy_wh / DAYS:.0f} | {b.energy_wh / DAYS:.0f} | "
                f"{a.switch_ons:.0f} | {b.switch_ons:.0f} | {b.caught_wh / DAYS:.0f} |"
            )


def _worlds_key() -> str:
    from bench.proof.truth import sources_key

    return sources_key()


def _progress(text: str) -> None:
    print(f"\r\x1b[K{text}", end="", file=sys.stderr, flush=True)


if __name__ == "__main__":
    main()
