"""The compiled law is the law: bit for bit what the core says, event by event, and never what it said once.

Compiling takes a while, so all of this is slow; the plain loop over the same arrays is looked at in the quick tests.
"""

import os
import random
import shutil
import subprocess
import sys
from array import array
from pathlib import Path
from signal import SIGINT, default_int_handler, getsignal, raise_signal

import pytest
from scenarios import to_the_bit
from world import LIMITS, NOON, START, setup

import dumpload
from dumpload.core.contact import Feedback
from dumpload.core.controller import Decision, Event, Kind, Setup, State, decide, remember, start
from dumpload.core.freshness import MISSING, is_missing
from dumpload.core.known import is_believed
from dumpload.core.law import Cause, Selector
from dumpload.core.permissive import PermissiveLimits
from dumpload.core.signals import Signal
from dumpload.records.items import EMPTY, PLAIN, REJECTED, UNKNOWN, RowBatch, column_of
from dumpload.replay.replayer import Replayer, Scenario
from dumpload.replay.totals import LoadRating

np = pytest.importorskip("numpy")
pytest.importorskip("numba")

from arrayed import as_arrays, play_arrays  # noqa: E402  (only with the extra)
from numba.core.dispatcher import Dispatcher  # noqa: E402

from dumpload.replay import compiled as compiler  # noqa: E402
from dumpload.replay import compiler as compiler_module  # noqa: E402
from dumpload.replay.arrays import local_times, of_batches, play  # noqa: E402
from dumpload.replay.compiled import cache_folder, compiled  # noqa: E402
from dumpload.replay.compiler import Group, compile_group, uninterrupted  # noqa: E402

SOC = Signal.STATE_OF_CHARGE
PERMISSIVES = PermissiveLimits(25.0, 26.0, 70.0, 60.0, 50.0, 40.0, 90.0, 400.0, 1_500.0)
BRISK = LIMITS._replace(confirm_s=10.0, min_on_s=40.0, min_off_s=30.0)
SETUPS = [
    setup(),
    setup(BRISK, window=("11:50-12:20", "12:40-13:00")),
    setup(BRISK, PERMISSIVES),
    setup(LIMITS._replace(confirm_s=0.0, min_on_s=0.0, min_off_s=0.0), PERMISSIVES, max_age_s=20.0),
    setup(BRISK, PERMISSIVES, window=("12:10-06:00",), heartbeat_s=45.0),
    setup(BRISK, max_age_s=(60.0, *[MISSING] * (len(Signal) - 1)), feedback_s=MISSING),
]
VALUES = {
    SOC: [98.0] * 8 + [97.0, 96.0, 93.0, 92.0, 50.0, 40.0, MISSING, 255.0],
    Signal.BATTERY_VOLTAGE: [27.0, 27.0, 27.0, 26.0, 25.5, 24.0],
    Signal.BATTERY_POWER: [0.0, 0.0, 100.0, -60.0],
    Signal.LOAD_POWER: [0.0, 0.0, 0.0, 300.0],
    Signal.SOLAR_POWER: [500.0, -1e9],
    Signal.TANK_TEMPERATURE: [20.0, 20.0, 60.0, 65.0, 70.0],
    Signal.HEARTBEAT: [1.0, 2.0, 3.0, 3.0],
}
RARE = [kind for kind in Kind if kind not in (Kind.SAMPLE, Kind.OVERDUE, Kind.STOP, Kind.ASSUME_ON)]


def record(seed: int, rows: int) -> tuple[list[Event], list[bool]]:
    """Return random events: gaps, equal times, unknowns, bad values, late stamps, steps of the wall clock."""
    draw = random.Random(seed)  # noqa: S311
    t, ahead = START, NOON - START
    events: list[Event] = []
    with_next: list[bool] = []
    while len(events) < rows:
        t += draw.choice([0.0, 0.0, 0.5, 1.0, 5.0, 5.0, 5.0, 30.0, 60.0, 61.0, 400.0 if draw.random() < 0.2 else 2.0])
        ahead += draw.choice([-3_600.0, 3_600.0, 86_400.0]) if draw.random() < 0.01 else 0.0
        kind = draw.choice(RARE) if draw.random() < 0.08 else Kind.SAMPLE
        kind = Kind.RESET if draw.random() < 0.05 else kind
        signal = draw.choice([SOC, SOC, *Signal])
        stamp = draw.choice([t, t, t, t - 1.0, t - 20.0, t - 70.0, t + 5.0, MISSING])
        selector = draw.choice([Selector.AUTO, *Selector])
        until = t + draw.choice([40.0, -1.0, 300.0, MISSING])
        feedback = draw.choice([*Feedback, Feedback.UNKNOWN])
        more = draw.random() < 0.1
        value = draw.choice(VALUES[signal])
        events.append(Event(t, t + ahead, kind, signal, value, stamp, selector, until, feedback, more))
        with_next.append(kind in (Kind.SAMPLE, Kind.HELD) and draw.random() < 0.15)
    return events, with_next


def judged(
    configured: Setup, events: list[Event], with_next: list[bool], end: float
) -> tuple[list[Decision], list[bool], State]:
    """Return the decisions, what counted, and the last state, by the plain loop, as a replay plays a record."""
    settings, schedule = configured.settings, configured.schedule()
    state, decisions, accepted, ahead = start(events[0].t), [], [], 0.0

    def take(event: Event) -> Decision:
        nonlocal state
        state, decision = decide(settings, state, event, schedule.at(event.wall))
        decisions.append(decision)
        return decision

    for event, remembered in zip(events, with_next, strict=True):
        ahead = event.t - event.wall
        while state.deadline < event.t:
            take(Event(state.deadline, state.deadline - ahead, Kind.WAKE))
        if remembered:
            accepted.append(is_believed(settings, event))
            state = remember(settings, state, event)
        else:
            accepted.append(take(event).accepted)
    while state.deadline <= end:
        take(Event(state.deadline, state.deadline - ahead, Kind.WAKE))
    return decisions, accepted, state


def assert_the_same(configured: Setup, seed: int, rows: int, run: object) -> set[Cause]:
    events, with_next = record(seed, rows)
    end = events[-1].t + random.Random(seed).choice([0.0, 10.0, 5_000.0])  # noqa: S311
    decisions, accepted, state = judged(configured, events, with_next, end)
    changes = [decision for decision in decisions if decision.changed]
    played = play_arrays(configured, as_arrays(events, with_next), end, run=run)  # type: ignore[arg-type]
    assert played.accepted.tolist() == accepted
    for name in ("t", "wall", "position", "cause", "previous_cause", "after_s", "state_of_charge"):
        ours = np.array([getattr(change, name) for change in changes], getattr(played, name).dtype)
        assert getattr(played, name).tobytes() == ours.tobytes(), name
    assert to_the_bit(played.state) == to_the_bit(state)
    return {decision.cause for decision in decisions}


@pytest.mark.parametrize("configured", SETUPS)
def test_the_loop_over_arrays_is_the_loop_over_events(configured: Setup) -> None:
    assert_the_same(configured, 7, 150, play)


def test_local_times_reach_as_far_as_any_deadline() -> None:
    """Before the first event after a step of the wall clock, and long after the last one."""
    for seed in range(10):
        events, with_next = record(1_000 + seed, 6)
        arrays = as_arrays(events, with_next)
        assert_the_same(SETUPS[1], 1_000 + seed, 6, play)
        times = local_times(SETUPS[1].schedule(), arrays, arrays.t[0], arrays.t[-1] + 5_000.0)
        assert (times.wall[1:] == times.valid_until[:-1]).all()


def batches_of(seed: int, rows: int, signals: list[Signal]) -> list[RowBatch]:
    """Return the rows of a table: gaps, rows of one time, blanks, codes for unknown, values that do not count."""
    draw = random.Random(seed)  # noqa: S311
    times = [NOON]
    while len(times) < rows:
        times.append(times[-1] + draw.choice([0.0, 1.0, 10.0, 10.0, 10.0, 60.0, 61.0, 400.0]))
    parts = []
    for begin in range(0, rows, 50):
        here = times[begin : begin + 50]
        columns = {}
        for signal in signals:
            codes = [draw.choice([PLAIN] * 12 + [EMPTY, UNKNOWN, REJECTED]) for _ in here]
            good = [value for value in VALUES[signal] if -1e3 < value < 1e3 and value != 255.0]
            columns[signal] = column_of([draw.choice(good) if code == PLAIN else MISSING for code in codes], codes)
        parts.append(RowBatch(array("d", here), columns))
    return parts


@pytest.mark.parametrize("configured", SETUPS)
def test_the_rows_of_a_table_as_arrays_are_played_as_the_replayer_plays_them(configured: Setup) -> None:
    batches = batches_of(3, 150, list(Signal))
    law_signals = {s for s in Signal if not is_missing(configured.settings.max_age_s[s])} - {Signal.LOAD_POWER}
    replayer = Replayer(Scenario(configured, LoadRating(300.0, 1.92)), NOON)
    for batch in batches:
        replayer.play(batch)
    end = batches[-1].times[-1]
    replayer.finish(end)
    played = play_arrays(configured, of_batches(batches, law_signals), end, begin=NOON)
    changes = list(zip(played.wall, played.position, played.cause, played.state_of_charge, strict=True))
    assert repr([tuple(map(float, change)) for change in changes]) == repr(
        [tuple(map(float, change)) for change in replayer.totals.changes]
    )
    assert to_the_bit(played.state) == to_the_bit(replayer.state)


@pytest.mark.slow
def test_compiled_it_says_the_same_to_the_last_bit() -> None:
    run, causes = compiled().play, set()
    for seed in range(60):
        causes |= assert_the_same(SETUPS[seed % len(SETUPS)], seed, 1_000, run)
    expected = {Cause.SURPLUS, Cause.HAND, Cause.HAND_OVER, Cause.BELOW_CUT_OUT, Cause.DATA_LOST}
    assert expected | {Cause.OUTSIDE_WINDOW, Cause.TANK_HOT, Cause.VOLTAGE_LOW, Cause.DRAIN_LIMIT} <= causes


PROGRAM = """
import sys
from dumpload.core import freshness, law
from dumpload.core.law import Inputs, Limits
from dumpload.replay.compiler import Group, compile_group
latch = Group("latch", "the latch of the law", (freshness, law), (law.latch_surplus,))
(latch_surplus,) = compile_group(latch, lambda words: print(words, file=sys.stderr))
limits, inputs = Limits(97.0, 93.0, 50.0, 0.0, 0.0, 0.0), Inputs(9.0, 97.0, 9.0, True, law.Selector.AUTO, False, 0)
print(latch_surplus(limits, law.start(0.0), inputs).surplus)
"""


def run_program(environ: dict[str, str], folder: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", PROGRAM]
    return subprocess.run(command, env=environ, cwd=folder, capture_output=True, text=True, check=False)


@pytest.mark.slow
def test_what_is_said_of_compiling_also_anew_where_a_file_is_damaged(tmp_path: Path) -> None:
    environ = os.environ | {"XDG_CACHE_HOME": str(tmp_path / "cache")}
    line = "compiling the latch of the law for this computer; this takes a while the first time"
    assert run_program(environ, tmp_path).stderr == f"{line}\n"
    for kept in (tmp_path / "cache").rglob("*.nbi"):
        os.truncate(kept, 20)
    damaged = run_program(environ, tmp_path)
    assert (damaged.stdout, damaged.stderr.startswith(f"{line}; it cannot be kept in {tmp_path}")) == ("True\n", True)
    (tmp_path / "file").touch()
    nowhere = run_program(environ | {"XDG_CACHE_HOME": str(tmp_path / "file")}, tmp_path)
    assert (nowhere.stdout, nowhere.stderr.startswith(f"{line}; it cannot be kept in {tmp_path}")) == ("True\n", True)


def test_an_interrupt_waits_until_compiled_code_has_returned() -> None:
    """Raised while the result was made, it ended the process in a segmentation fault at every second Ctrl-C."""
    seen: list[str] = []

    def run() -> None:
        raise_signal(SIGINT)
        seen.append("returned")

    with pytest.raises(KeyboardInterrupt):
        uninterrupted(run)()
    assert seen == ["returned"]
    assert getsignal(SIGINT) is default_int_handler


def test_compiling_may_be_interrupted() -> None:
    seen: list[str] = []

    def _compile_for_args() -> None:  # as numba's dispatcher calls it
        raise_signal(SIGINT)
        seen.append("went on")

    with pytest.raises(KeyboardInterrupt):
        uninterrupted(_compile_for_args)()
    assert hasattr(Dispatcher, _compile_for_args.__name__)
    assert seen == []


def test_what_was_kept_and_is_damaged_is_compiled_anew_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """As after a power cut, whichever function notices it first."""
    requests: list[bool] = []

    def damaged(_values: object) -> None:
        raise EOFError

    def compile_kept(_group: Group, _folder: Path, is_kept: bool) -> tuple[object, ...]:
        requests.append(is_kept)
        return (damaged, damaged) if is_kept else (len, sum)

    monkeypatch.setattr(compiler_module, "_compile", compile_kept)
    count, add = compile_group(Group("latch", "the latch", (), (len, sum)), print)
    assert (add([1, 2]), count([1, 2]), add([]), requests) == (3, 2, 0, [True, False])


def test_what_fails_compiled_anew_too_is_no_matter_of_the_cache(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(compiler_module, "_compile", lambda *_all: (list.pop,))
    (pop,) = compile_group(Group("latch", "the latch", (), (list.pop,)), print)
    with pytest.raises(IndexError):
        pop([])


@pytest.mark.slow
@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        ("law.py", "elif not soc >= limits.cut_in_percent:", "elif not soc > limits.cut_in_percent: "),
        ("freshness.py", "return value != value", "return value == value"),
    ],
)
def test_a_changed_law_is_never_served_from_an_old_cache(tmp_path: Path, file: str, old: str, new: str) -> None:
    """Changed where it is cached or in another file; the file keeps its size and its time of change.

    It is a part of the law, for compiling the whole takes a minute and goes the same way.
    """
    package = tmp_path / "dumpload"
    shutil.copytree(Path(dumpload.__file__).parent, package, ignore=shutil.ignore_patterns("__pycache__"))
    environ = os.environ | {"PYTHONPATH": str(tmp_path), "XDG_CACHE_HOME": str(tmp_path / "cache")}
    environ["PYTHONDONTWRITEBYTECODE"] = "1"

    def surplus() -> tuple[str, int]:
        done = run_program(environ, tmp_path)
        done.check_returncode()
        return done.stdout.strip(), done.stderr.count("compiling the latch of the law")

    assert surplus() == ("True", 1)
    assert surplus() == ("True", 0)  # from the cache, without a word
    changed = package / "core" / file
    before, text = changed.stat(), changed.read_text()
    changed.write_text(text.replace(old, new))
    assert changed.read_text() != text
    os.utime(changed, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert (changed.stat().st_size, changed.stat().st_mtime_ns) == (before.st_size, before.st_mtime_ns)
    assert surplus() == ("False", 1)


def test_the_cache_has_a_folder_for_every_state_of_the_sources(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = cache_folder({"XDG_CACHE_HOME": str(tmp_path)})
    assert folder.parent == tmp_path / "dumpload"
    assert folder == cache_folder({"XDG_CACHE_HOME": str(tmp_path)})
    for module in compiler.CORE:
        copy = tmp_path / "changed.py"
        copy.write_bytes(Path(str(module.__file__)).read_bytes() + b"\n")
        with monkeypatch.context() as changed:
            changed.setattr(module, "__file__", str(copy))
            assert cache_folder({"XDG_CACHE_HOME": str(tmp_path)}) != folder


def test_every_function_that_the_law_calls_is_in_a_module_that_is_hashed() -> None:
    """So that no part of the law can change unnoticed."""
    ours = {module.__name__ for module in (*compiler.CORE, compiler)}
    for module in compiler.CORE:
        for name, thing in vars(module).items():
            home = getattr(thing, "__module__", "") or ""
            if home.startswith("dumpload.") and callable(thing):
                assert home in ours | {"dumpload.core.window"}, name  # whose tuples are used here, and no function
