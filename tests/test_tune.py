"""The command `tune` on simulated boats, of which it is known what every setting truly gives."""

import json
import signal
import threading
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

np = pytest.importorskip("numpy")
pytest.importorskip("numba")
pytest.importorskip("pvlib")

from tuned import Files, as_toml, write_boat  # noqa: E402
from voyages import WORLDS, sail_on  # noqa: E402

from dumpload.cli.commands import main  # noqa: E402
from dumpload.cli.console import INTERRUPTED, OK, USAGE, WRONG  # noqa: E402
from dumpload.config.layers import leaves  # noqa: E402
from dumpload.forecast.step import compiled_sail  # noqa: E402
from dumpload.tune import tune as tune_module  # noqa: E402
from dumpload.tune.document import NO_DIFFERENCE  # noqa: E402

# pvlib's, of the weather of the simulated boats.
pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning:pvlib", "ignore:.*dayofyear.*")

# Much more hot water is wanted than these settings give: a lower cut-in catches more sun.
THIRSTY = WORLDS["tail"]._replace(days=40)
# The water is hot every evening, and a day is one run: there is nothing to be gained.
CONTENT = WORLDS["float"]._replace(days=30)
QUICK = ("--settings", "32", "--members", "3")


@pytest.fixture(scope="module")
def thirsty(tmp_path_factory: pytest.TempPathFactory) -> Files:
    return write_boat(tmp_path_factory.mktemp("thirsty"), THIRSTY, {})


@pytest.fixture(scope="module")
def content(tmp_path_factory: pytest.TempPathFactory) -> Files:
    return write_boat(tmp_path_factory.mktemp("content"), CONTENT, {})


@pytest.fixture(scope="module")
def search(thirsty: Files, tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, Any], Path]:
    """The document of a search, and the folder with the proposals it wrote."""
    folder = tmp_path_factory.mktemp("proposals")
    out: list[str] = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("dumpload.cli.console.say", out.append)
        assert (
            main(
                thirsty.words(
                    *QUICK,
                    "--json",
                    "--write",
                    str(folder),
                    "--svg",
                    str(folder),
                    "--report",
                    str(folder / "page.html"),
                )
            )
            == OK
        )
    return json.loads(out[0]), folder


def reported(days: int) -> Any:
    """Return the days that figures are for: every second week."""
    return (np.arange(days) // 7) % 2 == 1


def test_three_to_five_settings_are_told_with_an_interval_for_each_figure(
    search: tuple[dict[str, Any], Path],
) -> None:
    document, _folder = search
    assert document["trust"] == "good"
    assert 3 <= len(document["proposals"]) <= 5
    assert (document["learned_days"], document["reported_days"]) == (21, 19)
    for proposal in (document["now"], *document["proposals"]):
        for figure in proposal["month"].values():
            assert 0.0 <= figure["low"] <= figure["value"] <= figure["high"]
        assert proposal["from_battery"] in {"low", "medium", "high"}
    for proposal in document["proposals"]:
        more = proposal["more_than_now"].values()
        assert any(figure["low"] > 0.0 or figure["high"] < 0.0 for figure in more), "it differs in something"


def test_the_setting_said_to_catch_most_sun_truly_catches_more(search: tuple[dict[str, Any], Path]) -> None:
    document, _folder = search
    best = next(proposal for proposal in document["proposals"] if "most wasted sun caught" in proposal["best_at"])
    keys = {key: value for key, value in best["settings"].items() if value is not None}
    days = reported(THIRSTY.days)
    now, then = sail_on(THIRSTY, {})[1], sail_on(THIRSTY, keys)[1]
    kwh = float((now.curtailed_wh - then.curtailed_wh)[days].sum()) * 30.0 / int(days.sum()) / 1000.0
    more = best["more_than_now"]["caught_kwh"]
    assert kwh > 5.0
    assert more["low"] > 0.0
    assert more["low"] <= kwh <= more["high"]


def test_todays_figures_are_those_that_were_truly_had(search: tuple[dict[str, Any], Path]) -> None:
    document, _folder = search
    days = reported(THIRSTY.days)
    truth, never = sail_on(THIRSTY, {})[1], sail_on(THIRSTY, {}, heated=False)[1]
    a_month = 30.0 / int(days.sum())
    month = document["now"]["month"]
    kwh = float((never.curtailed_wh - truth.curtailed_wh)[days].sum()) * a_month / 1000.0
    assert month["caught_kwh"]["low"] <= kwh <= month["caught_kwh"]["high"]
    ons = float(truth.switch_ons[days].sum()) * a_month
    assert month["operations"]["low"] <= ons <= month["operations"]["high"]


def failed_checks(config: Path, capsys: pytest.CaptureFixture[str]) -> set[str]:
    """Return which checks fail on paper; the tests' boat has some that say nothing of its settings."""
    capsys.readouterr()
    assert main(["check", "--json", "--config", str(config)]) in {OK, WRONG}
    document = json.loads(capsys.readouterr().out)
    return {finding["id"] for finding in document["findings"] if finding["state"] == "fail"}


def test_a_written_part_takes_the_place_of_todays_tables_and_check_accepts_it(
    search: tuple[dict[str, Any], Path], thirsty: Files, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    document, folder = search
    parts = sorted(folder.glob("proposal-*.toml"))
    assert len(parts) == len(document["proposals"])
    today = tomllib.loads(thirsty.config.read_text())
    fails = failed_checks(thirsty.config, capsys)
    for part, proposal in zip(parts, document["proposals"], strict=True):
        tables = tomllib.loads(part.read_text())
        assert set(tables) == {"control", "permissive"}
        values = dict(leaves(tables))
        assert {key: values.get(key) for key in proposal["settings"]} == proposal["settings"]
        config = tmp_path / part.name
        config.write_text(as_toml(dict(leaves({**today, **tables}))))
        assert failed_checks(config, capsys) <= fails


def test_the_picture_names_today_and_every_proposal(search: tuple[dict[str, Any], Path]) -> None:
    document, folder = search
    drawn = (folder / "trade-off.svg").read_text()
    for label in ("today", *(str(number) for number in range(1, len(document["proposals"]) + 1))):
        assert f">{label}</text>" in drawn
    assert "nan" not in drawn


def test_the_page_loads_nothing_and_has_every_setting(search: tuple[dict[str, Any], Path]) -> None:
    document, folder = search
    written = (folder / "page.html").read_text()
    assert "<script" not in written
    assert "http" not in written.replace("http-equiv", "")
    assert written.count('<th scope="row">') == 1 + len(document["proposals"])


def test_nothing_that_is_there_is_written_over(
    search: tuple[dict[str, Any], Path], thirsty: Files, capsys: pytest.CaptureFixture[str]
) -> None:
    _document, folder = search
    before = {file: file.read_bytes() for file in folder.iterdir()}
    assert main(thirsty.words(*QUICK, "--write", str(folder))) == USAGE
    assert capsys.readouterr().err.startswith(f"--write {folder}: expected a folder without proposals")
    assert {file: file.read_bytes() for file in folder.iterdir()} == before


def test_no_output_takes_the_place_of_a_file_that_the_call_names(
    content: Files, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = tmp_path / "a.toml"
    other.write_bytes(content.config.read_bytes())
    for file, what in ((content.log, "LOG"), (content.config, "the settings"), (other, "--recorded-with")):
        before = file.read_bytes()
        arguments = content.words(
            "--settings", "2", "--members", "1", "--recorded-with", str(other), "--report", str(file)
        )
        assert main(arguments) == USAGE
        assert f"(it is the same file as {what})" in capsys.readouterr().err
        assert file.read_bytes() == before


def test_where_nothing_would_be_gained_it_says_that_the_record_shows_no_difference(
    content: Files, capsys: pytest.CaptureFixture[str]
) -> None:
    """At most a little more than the one run a day that there is: what is left does the same."""
    assert main(content.words(*QUICK, "--operations-per-day", "1.2")) == OK
    assert capsys.readouterr().out.startswith(NO_DIFFERENCE)


def test_limits_that_nothing_keeps_to_are_said_so(content: Files, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(content.words(*QUICK, "--lowest-charge", "100")) == WRONG
    out = " ".join(capsys.readouterr().out.split())
    assert out.startswith("None of the 32 settings tried stays within the limits (never on below 100 % charge).")


def interrupting(after: int) -> Callable[..., Any]:
    """Return what interrupts us at the run of this number."""
    sail, runs = compiled_sail(), []

    def run(*arguments: Any) -> Any:
        runs.append(0)
        if len(runs) == after:
            signal.pthread_kill(threading.main_thread().ident or 0, signal.SIGINT)
        return sail(*arguments)

    return lambda _say: run


def test_an_interrupt_gives_the_best_so_far_and_calls_it_partial(
    content: Files, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Twelve runs (four for each member) judge today's settings; the rest are the search."""
    monkeypatch.setattr(tune_module, "compiled_sail", interrupting(12 + 30))
    assert main(content.words("--settings", "60", "--members", "3", "--json")) == INTERRUPTED
    document = json.loads(capsys.readouterr().out)
    assert document["partial"]
    assert 5 <= document["settings_tried"] < document["settings_asked"] == 60
    assert document["now"]["month"]["caught_kwh"]["value"] > 0.0


def test_a_partial_result_says_so_first(
    content: Files, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tune_module, "compiled_sail", interrupting(12 + 30))
    assert main(content.words("--settings", "60", "--members", "3")) == INTERRUPTED
    assert capsys.readouterr().out.startswith("Partial: interrupted after ")


def test_an_interrupt_before_anything_was_tried_shows_nothing(
    content: Files, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tune_module, "compiled_sail", interrupting(2))
    assert main(content.words(*QUICK)) == INTERRUPTED
    out, err = capsys.readouterr()
    assert out == ""
    assert err == "interrupted; no result yet\n"


def test_a_record_that_gives_no_forecast_gives_no_advice_for_the_same_reasons(
    content: Files, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    without = tmp_path / "without.csv"
    lines = content.log.read_text().splitlines()
    without.write_text("".join(line.rpartition(",")[0] + "\n" for line in lines))
    assert main(["tune", str(without), "--config", str(content.config), *QUICK]) == WRONG
    out = capsys.readouterr().out
    assert out.startswith("This record is not sufficient for advice on settings:\n! expected a column relay")


def test_a_gate_of_the_forecast_refuses_here_too(content: Files, capsys: pytest.CaptureFixture[str]) -> None:
    """A plate that the record contradicts."""
    assert main(content.words(*QUICK, "--json", "--set", "battery.capacity_ah=120")) == WRONG
    document = json.loads(capsys.readouterr().out)
    assert document["trust"] == "refused"
    assert any("battery.capacity_ah is 120" in reason for reason in document["reasons"])
    assert document["proposals"] == []


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["--settings", "1"], "argument --settings: '1': expected a whole number from 2 to 5000"),
        (["--settings", "many"], "argument --settings: 'many': expected a whole number from 2 to 5000"),
        (["--members", "0"], "argument --members: '0': expected a whole number from 1 to 64"),
        (["--lowest-charge", "nan"], "argument --lowest-charge: 'nan': expected a number of percent from 0 to 100"),
        (["--operations-per-day", "-1"], "argument --operations-per-day: "),
    ],
)
def test_a_wrong_option_is_one_line(
    content: Files, capsys: pytest.CaptureFixture[str], arguments: list[str], expected: str
) -> None:
    with pytest.raises(SystemExit) as left:
        main(content.words(*arguments))
    assert left.value.code == USAGE
    assert expected in capsys.readouterr().err.splitlines()[-1]


def test_a_record_that_is_not_there_is_one_line(content: Files, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["tune", str(content.log) + "x", "--config", str(content.config)]) == USAGE
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(f"{content.log}x: ")
    assert err.count("\n") == 1
