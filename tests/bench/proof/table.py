"""Prints the scores: all pairs, answered ones and the share refused side by side, by signals and by world; verdicts."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import NamedTuple

import numpy as np
from bench.proof.asking import Result
from bench.proof.scores import (
    Spread,
    confident_misses,
    difference_error,
    difference_of,
    direction,
    error_of,
    inside,
    is_answered,
    open_loop,
    same_as_a,
    share_answered,
    spread,
)

FULL = ("SoC V Pbat Psolar", "SoC V Pbat Pload")
ENERGY, ONS = "energy_wh", "switch_ons"


class Verdict(NamedTuple):
    """One demand, the figure, and whether it is met (None: nothing to judge by)."""

    demand: str
    figure: str
    met: bool | None


def lines(results: Sequence[Result]) -> Iterator[str]:
    """Yield the whole table."""
    yield from _scores("Energy and switch-ons, by set of signals (errors in %)", _by(results, lambda one: one.signals))
    full = [result for result in results if result.signals in FULL]
    yield from _scores("The same by world, sets with load or solar power", _by(full, lambda one: one.world))
    yield from _scores("The same by pair, sets with load or solar power", _by(full, lambda one: one.pair))
    yield from _differences("B - A, by set of signals (error in Wh a day)", _by(results, lambda one: one.signals))
    yield from _differences("B - A, by world, sets with load or solar power", _by(full, lambda one: one.world))
    yield from _other("Other figures, answered pairs, by set of signals", _by(results, lambda one: one.signals))
    yield from _worst(results)
    yield from _reasons(results)
    yield "## Verdicts"
    yield from (f"- {_word(verdict.met)}: {verdict.demand}: {verdict.figure}" for verdict in verdicts(results))


def verdicts(results: Sequence[Result]) -> Iterator[Verdict]:
    """Yield each demand with its figure."""
    for signals in FULL:
        yield from _of_full([result for result in results if result.signals == signals], signals)
    volts = spread(difference_error(result) for result in results if result.signals == "SoC V Pbat")
    yield _at_most("SoC V Pbat: B - A within 50 Wh a day, median of all with a figure", volts.median, 50.0)
    for signals in ("SoC", "SoC V"):
        right, clear = direction([result for result in results if result.signals == signals])
        met = right == clear if clear else None
        yield Verdict(f"{signals}: the direction of every difference above 60 Wh a day", f"{right} of {clear}", met)
    yield _all_signals(results)


def _of_full(results: Sequence[Result], signals: str) -> Iterator[Verdict]:
    answered = [result for result in results if is_answered(result)]
    energy, ons = _errors(answered, error_of(ENERGY)), _errors(answered, error_of(ONS))
    ours, floor = _errors(answered, difference_error), _errors(answered, lambda one: abs(difference_of(one)))
    yield _at_most(f"{signals}: energy, median <= 2 %", energy.median, 2.0)
    yield _at_most(f"{signals}: energy, worst <= 10 %", energy.worst, 10.0)
    yield _at_most(f"{signals}: switch-ons, median <= 6 %", ons.median, 6.0)
    yield _at_least(f"{signals}: truth inside, energy >= 90 %", inside(ENERGY, answered), 90.0)
    yield _at_least(f"{signals}: truth inside, switch-ons >= 85 %", inside(ONS, answered), 85.0)
    wanted = f"{signals}: B - A error at most half of as A did ({_number(floor.median)} Wh a day)"
    yield _at_most(wanted, ours.median, floor.median / 2.0)
    yield _at_least(f"{signals}: at least 70 % answered", share_answered(results), 70.0)
    shares = {name: share_answered(some) for name, some in _by(results, lambda one: one.world).items()}
    low = [f"{name} {share:.0f} %" for name, share in shares.items() if share < 70.0]
    wanted = f"{signals}: at least 70 % answered in every world but one"
    yield Verdict(wanted, "; ".join(low) or "all", len(low) <= min(1, len(shares) - 1) if shares else None)
    missed = confident_misses(results)
    met = not missed if results else None
    yield Verdict(f'{signals}: no pair "good" that misses by more than 20 %', f"{len(missed)}", met)


def _all_signals(results: Sequence[Result]) -> Verdict:
    """Return whether all six signals do worse than fewer, on the pairs that both answered."""
    answered = {(one.signals, one.world, one.pair): one for one in results if is_answered(one)}
    found, met, shared = [], True, 0
    for signals in FULL:
        both = [key[1:] for key in answered if key[0] == signals and ("all six", *key[1:]) in answered]
        fewer, more = (
            _errors([answered[name, *key] for key in both], error_of(ENERGY)).median for name in (signals, "all six")
        )
        found.append(f"{more:.2f} % against {fewer:.2f} % ({signals}, {len(both)} pairs)")
        met, shared = met and not more > fewer, shared + len(both)
    return Verdict("all six signals no worse than fewer, energy, median", "; ".join(found), met if shared else None)


def _scores(title: str, groups: Mapping[str, Sequence[Result]]) -> Iterator[str]:
    yield from _head(
        title, "", "pairs", "good/warned/refused/failed", "refused %", "energy all", "energy answered", "ons all",
        "ons answered", "inside energy/ons %", "good but > 20 %", "as A: energy/ons", "open loop: energy/ons",
    )  # fmt: skip
    for name, results in groups.items():
        answered = [result for result in results if is_answered(result)]
        counts = "/".join(
            str(sum(result.answer.trust == trust for result in results))
            for trust in ("good", "warned", "refused", "failed")
        )
        yield _row(
            name, str(len(results)), counts, f"{100.0 - share_answered(results):.0f}",
            *(_spread(_errors(some, error_of(figure))) for figure in (ENERGY, ONS) for some in (results, answered)),
            f"{_whole(inside(ENERGY, answered))}/{_whole(inside(ONS, answered))}", str(len(confident_misses(results))),
            *("/".join(_number(_errors(results, error(figure)).median) for figure in (ENERGY, ONS))
              for error in (same_as_a, open_loop)),
        )  # fmt: skip
    yield ""


def _differences(title: str, groups: Mapping[str, Sequence[Result]]) -> Iterator[str]:
    yield from _head(
        title, "", "all", "as A did, all", "answered", "as A did, answered", "inside %", "direction, clear ones"
    )
    for name, results in groups.items():
        answered = [result for result in results if is_answered(result)]
        right, clear = direction(results)
        yield _row(
            name,
            *(_spread(_errors(some, error)) for some in (results, answered)
              for error in (difference_error, lambda one: abs(difference_of(one)))),
            _whole(inside("difference_wh_per_day", answered)), f"{right} of {clear}",
        )  # fmt: skip
    yield ""


def _other(title: str, groups: Mapping[str, Sequence[Result]]) -> Iterator[str]:
    yield from _head(title, "", "on-time %", "inside %", "sun caught %", "inside %")
    for name, results in groups.items():
        answered = [result for result in results if is_answered(result)]
        cells = []
        for figure in ("on_time_s", "caught_wh"):
            cells += [_spread(_errors(answered, error_of(figure))), _whole(inside(figure, answered))]
        yield _row(name, *cells)
    yield ""


def _worst(results: Sequence[Result]) -> Iterator[str]:
    """Yield the answered pairs that miss most, so that they can be looked at."""
    error = error_of(ENERGY)
    answered = [one for one in results if is_answered(one) and one.signals in FULL and error(one) is not None]
    yield from _head(
        "The ten answered pairs that miss most", "world", "pair", "signals", "trust", "energy %", "true Wh"
    )
    for one in sorted(answered, key=lambda one: -(error(one) or 0.0))[:10]:
        yield _row(
            one.world, one.pair, one.signals, one.answer.trust, _number(error(one)), _number(one.asked.energy_wh)
        )
    yield ""


def _reasons(results: Sequence[Result]) -> Iterator[str]:
    """Yield why pairs were not answered plainly, the most frequent first."""
    counts: dict[tuple[str, str], int] = {}
    for result in results:
        for reason in result.answer.reasons if result.answer.trust != "good" else ():
            key = (result.answer.trust, "".join("0" if sign.isdigit() else sign for sign in reason)[:110])
            counts[key] = counts.get(key, 0) + 1
    yield from _head("Reasons (digits as 0)", "times", "trust", "reason")
    for (trust, reason), count in sorted(counts.items(), key=lambda item: -item[1])[:20]:
        yield _row(str(count), trust, reason)
    yield ""


def _errors(results: Sequence[Result], error: Callable[[Result], float | None]) -> Spread:
    return spread(map(error, results))


def _by(results: Sequence[Result], name: Callable[[Result], str]) -> dict[str, list[Result]]:
    groups: dict[str, list[Result]] = {}
    for result in results:
        groups.setdefault(name(result), []).append(result)
    return groups


def _at_most(demand: str, figure: float, limit: float) -> Verdict:
    return Verdict(demand, _number(figure), None if np.isnan(figure) else bool(figure <= limit))


def _at_least(demand: str, figure: float, limit: float) -> Verdict:
    return Verdict(demand, _number(figure), None if np.isnan(figure) else bool(figure >= limit))


def _word(met: bool | None) -> str:
    return "nothing to judge by" if met is None else "met" if met else "NOT MET"


def _spread(errors: Spread) -> str:
    if not errors.count:
        return "-"
    return f"{_number(errors.median)} / {_number(errors.p90)} / {_number(errors.worst)} (n {errors.count})"


def _number(value: float | None) -> str:
    if value is None or np.isnan(value):
        return "-"
    return f"{value:.1f}" if abs(value) < 100.0 else f"{value:.0f}"


def _whole(value: float) -> str:
    return "-" if np.isnan(value) else f"{value:.0f}"


def _head(title: str, *names: str) -> Iterator[str]:
    yield f"## {title}"
    yield _row(*names)
    yield _row(*("---" for _ in names))


def _row(*cells: str) -> str:
    return f"| {' | '.join(cells)} |"
