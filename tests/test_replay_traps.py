"""What `replay` notices about a record that is not read as it was meant, and the command it prints, which works."""

import json
import os
import shlex
from pathlib import Path

import pytest

from dumpload.cli.commands import main
from dumpload.cli.console import OK, USAGE, WRONG

Capture = pytest.CaptureFixture[str]

SETTINGS = """
[telemetry.state_of_charge]
topic = "barge/bank/charge"
[relay]
pin = 17
pin_factory = "mock"
"""
POWER = '[telemetry.battery_power]\ntopic = "barge/bank/power"\n'
BEGIN = 1_750_075_200  # 2025-06-16 12:00 UTC


@pytest.fixture
def barge(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in [name for name in os.environ if name.startswith("DUMPLOAD_")]:
        monkeypatch.delenv(name)
    (tmp_path / "dumpload.toml").write_text(SETTINGS)
    monkeypatch.setenv("DUMPLOAD_CONFIG", str(tmp_path / "dumpload.toml"))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def table(header: str, row: str, count: int = 60, every_s: int = 30) -> str:
    return (
        header
        + "\n"
        + "".join(row.format(t=BEGIN + every_s * n, minute=n % 60, hour=12 + n // 60) + "\n" for n in range(count))
    )


def tried(capsys: Capture, *, code: int, command: str) -> tuple[str, str]:
    """Run a command that is refused or wrong, and then the one it prints; return both outputs of that."""
    argv = shlex.split(command)
    assert main(argv) == code
    (line,) = [line for line in capsys.readouterr().err.splitlines() if line.startswith("try: ")]
    better = shlex.split(line.removeprefix("try: "))
    assert better[0] == "dumpload"
    assert better[1 : 1 + len(argv)] == argv
    assert main(better[1:]) == OK
    out, err = capsys.readouterr()
    assert "try: " not in err
    return out, err


@pytest.mark.parametrize("every_s", [90, 300, 900])
def test_rows_further_apart_than_a_value_counts_are_noticed(barge: Path, capsys: Capture, every_s: int) -> None:
    (barge / "log.csv").write_text(table("time,state_of_charge", "{t},98", every_s=every_s))
    out, _err = tried(capsys, code=WRONG, command="replay log.csv")
    assert out.startswith("The relay would have come on once")
    assert "Without data  0 s" in out


def test_the_note_says_what_is_apart_and_how_long_a_value_counts(barge: Path, capsys: Capture) -> None:
    (barge / "log.csv").write_text(table("time,state_of_charge", "{t},98", every_s=300))
    main(["replay", "log.csv"])
    note = " ".join(capsys.readouterr().out.split())
    assert "! rows are 5 min apart, and a state of charge is valid for 1 min only (max_age_s)" in note
    main(["replay", "log.csv", "--compare", "dumpload.toml"])
    assert "rows are 5 min apart" in " ".join(capsys.readouterr().out.split())


def test_every_signal_of_the_settings_gets_the_age_that_the_rows_need(barge: Path, capsys: Capture) -> None:
    (barge / "dumpload.toml").write_text(SETTINGS + POWER + "[permissive]\ndrain_limit_w = 500\n")
    (barge / "log.csv").write_text(table("time,state_of_charge,battery_power", "{t},98,-20", every_s=300))
    out, _err = tried(capsys, code=WRONG, command="replay log.csv")
    assert "Without data  0 s" in out


def test_rows_hours_apart_are_too_far_for_any_setting(barge: Path, capsys: Capture) -> None:
    (barge / "log.csv").write_text(table("time,state_of_charge", "{t},98", every_s=7200))
    assert main(["replay", "log.csv"]) == WRONG
    out, err = capsys.readouterr()
    assert "too far for a replay" in " ".join(out.split())
    assert err == ""


def test_nights_without_a_row_do_not_make_a_record_sparse(barge: Path, capsys: Capture) -> None:
    days = [table("", "{t},98").replace(str(BEGIN)[:5], str(BEGIN + day * 86_400)[:5]) for day in range(1)]
    late = table("", "{t},98").strip().replace("1750", "1751")
    (barge / "log.csv").write_text("time,state_of_charge" + days[0] + late + "\n")
    assert main(["replay", "log.csv"]) == OK
    assert "apart" not in capsys.readouterr().out


@pytest.mark.parametrize("sep", [";", "\t"])
def test_decimal_commas_are_noticed(barge: Path, capsys: Capture, sep: str) -> None:
    (barge / "log.csv").write_text(table(f"time{sep}state_of_charge", "{t}" + sep + "98,5"))
    out, _err = tried(capsys, code=WRONG, command="replay log.csv")
    assert "60 accepted, 0 rejected" in out


def test_decimal_commas_in_another_column_are_noticed_too(barge: Path, capsys: Capture) -> None:
    (barge / "dumpload.toml").write_text(SETTINGS + POWER)
    (barge / "log.csv").write_text(table("time;state_of_charge;battery_power", "{t};98;-20,5"))
    assert main(["replay", "log.csv"]) == OK
    out, err = capsys.readouterr()
    assert 'battery_power has numbers such as "-20,5", which need --decimal-comma' in " ".join(out.split())
    assert err == "try: dumpload replay log.csv --decimal-comma\n"


@pytest.mark.parametrize(
    ("time", "form"),
    [
        ("16.06.2025 {hour:02d}:{minute:02d}", "%d.%m.%Y %H:%M"),
        ("16/06/2025 {hour:02d}:{minute:02d}:00", "%d/%m/%Y %H:%M:%S"),
        ("06/16/2025 {hour:02d}:{minute:02d}:00", "%m/%d/%Y %H:%M:%S"),
        ("2025/06/16 {hour:02d}:{minute:02d}", "%Y/%m/%d %H:%M"),
    ],
)
def test_the_form_of_the_times_is_guessed(barge: Path, capsys: Capture, time: str, form: str) -> None:
    (barge / "log.csv").write_text(table("time,state_of_charge", time + ",98"))
    assert main(["replay", "log.csv"]) == USAGE
    assert form in capsys.readouterr().err
    tried(capsys, code=USAGE, command="replay log.csv --set telemetry.state_of_charge.max_age_s=200")


def test_a_form_with_two_readings_names_both(barge: Path, capsys: Capture) -> None:
    (barge / "log.csv").write_text(table("time,state_of_charge", "05/06/2025 {hour:02d}:{minute:02d},98"))
    assert main(["replay", "log.csv"]) == USAGE
    assert "these look like %d/%m/%Y %H:%M or %m/%d/%Y %H:%M" in capsys.readouterr().err


def test_times_without_an_offset_are_those_of_the_settings_zone(barge: Path, capsys: Capture) -> None:
    (barge / "dumpload.toml").write_text(SETTINGS + '[permissive]\ntimezone = "Europe/London"\n')
    (barge / "log.csv").write_text(table("time,state_of_charge", "2025-06-16T{hour:02d}:{minute:02d}:00,98", 120))
    command = ["replay", "log.csv", "--set", "telemetry.state_of_charge.max_age_s=200", "--json"]
    assert main(command) == OK
    document = json.loads(capsys.readouterr().out)
    assert document["first"] == "2025-06-16T11:00:00.000Z"
    assert document["notes"] == ["times are read as Europe/London, the settings' permissive.timezone (else --timezone)"]
    assert main([*command, "--timezone", "UTC"]) == OK
    assert json.loads(capsys.readouterr().out)["first"] == "2025-06-16T12:00:00.000Z"


def test_without_any_zone_the_command_that_works_names_one(barge: Path, capsys: Capture) -> None:
    (barge / "log.csv").write_text(table("time,state_of_charge", "2025-06-16T{hour:02d}:{minute:02d}:00,98"))
    tried(capsys, code=USAGE, command="replay log.csv --set telemetry.state_of_charge.max_age_s=200")


def test_rows_out_of_order_are_sorted_by_the_command_it_prints(barge: Path, capsys: Capture) -> None:
    lines = table("time,state_of_charge", "{t},98").splitlines()
    (barge / "log.csv").write_text("\n".join([lines[0], *reversed(lines[1:])]) + "\n")
    tried(capsys, code=USAGE, command="replay log.csv")


@pytest.mark.parametrize("options", [["--set", "mqtt.username=hush"], ["--set=mqtt.username=hush"]])
def test_the_command_shows_no_setting_of_the_broker(barge: Path, capsys: Capture, options: list[str]) -> None:
    (barge / "log.csv").write_text(table("time;state_of_charge", "{t};98,5"))
    main(["replay", "log.csv", *options])
    out, err = capsys.readouterr()
    assert "try: dumpload replay log.csv" in err
    assert "hush" not in out + err


# Scales, and a map of the columns


def summary(capsys: Capture, *options: str) -> dict[str, object]:
    assert main(["replay", "log.csv", "--json", *options]) == OK
    document: dict[str, object] = json.loads(capsys.readouterr().out)
    return document


def test_a_column_is_scaled_before_its_unit(barge: Path, capsys: Capture) -> None:
    (barge / "log.csv").write_text(table("time,soc", "{t},490"))
    plain = table("time,state_of_charge", "{t},98")
    (barge / "plain.csv").write_text(plain)
    result = summary(capsys, "--column", "state_of_charge=soc", "--unit", "state_of_charge=percent*0.2")
    assert result["changes"][0]["state_of_charge"] == 98.0  # type: ignore[index]
    shifted = summary(capsys, "--column", "state_of_charge=soc", "--unit", "state_of_charge=*0.1+49")
    assert shifted["changes"][0]["state_of_charge"] == 98.0  # type: ignore[index]
    ratio = summary(capsys, "--column", "state_of_charge=soc", "--unit", "state_of_charge=ratio*0.002")
    assert ratio["changes"][0]["state_of_charge"] == 98.0  # type: ignore[index]


def test_a_sign_is_turned_for_the_drain_limit(barge: Path, capsys: Capture) -> None:
    (barge / "dumpload.toml").write_text(SETTINGS + POWER + "[permissive]\ndrain_limit_w = 500\n")
    (barge / "log.csv").write_text(table("time,state_of_charge,battery_power", "{t},98,-900"))
    assert summary(capsys)["changes"] == []
    turned = summary(capsys, "--unit", "battery_power=W*-1")["changes"]
    assert [change["cause"] for change in turned] == ["surplus"]  # type: ignore[attr-defined]


@pytest.mark.parametrize("text", ["state_of_charge=ratio*0", "state_of_charge=*", "battery_power=V*2", "soc=W*2",
                                  "battery_power=W*two", "battery_power="])  # fmt: skip
def test_a_scale_that_makes_no_sense_is_a_usage_error(barge: Path, capsys: Capture, text: str) -> None:
    assert barge.is_dir()
    with pytest.raises(SystemExit):
        main(["replay", "log.csv", "--unit", text])
    assert "expected one of state_of_charge=percent" in capsys.readouterr().err


MAP = """
time = "Date"
time_format = "%d.%m.%Y %H:%M"
timezone = "Europe/London"
decimal_comma = true
delimiter = "|"
[state_of_charge]
column = "SOC"
unit = "ratio"
scale = 0.1
offset = 0.05
"""


@pytest.mark.parametrize("as_json", [False, True])
def test_a_column_map_says_once_what_the_options_say(barge: Path, capsys: Capture, as_json: bool) -> None:
    import tomllib

    (barge / "map").write_text(json.dumps(tomllib.loads(MAP)) if as_json else MAP)
    (barge / "log.csv").write_text(table("Date|SOC", "16.06.2025 {hour:02d}:{minute:02d}|9,3"))
    result = summary(capsys, "--columns", "map", "--set", "telemetry.state_of_charge.max_age_s=200")
    assert result["first"] == "2025-06-16T11:00:00.000Z"
    assert result["changes"][0]["state_of_charge"] == 98.0  # type: ignore[index]
    later = summary(capsys, "--columns", "map", "--set", "telemetry.state_of_charge.max_age_s=200", "--timezone", "UTC")
    assert later["first"] == "2025-06-16T12:00:00.000Z"


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        ('soc = "x"', "map: soc: expected one of time, state_of_charge,"),
        ("time = 3", "map: time = 3: expected the name of a column, in quotes"),
        ('[state_of_charge]\nunit = "V"', 'map: state_of_charge.unit = "V": expected one of percent, ratio'),
        ("[state_of_charge]\nscale = 0", "map: state_of_charge.scale = 0: expected a number, but not 0"),
        ('[state_of_charge]\noffset = "1"', 'map: state_of_charge.offset = "1": expected a number'),
        (
            "[state_of_charge]\nfactor = 1",
            "map: state_of_charge.factor = 1: expected one of column, unit, scale, offset",
        ),
        ('timezone = "Mars/Base"', 'map: timezone = "Mars/Base": expected the IANA name of a time zone'),
        ('sort = "yes"', 'map: sort = "yes": expected true or false'),
        ("time = ", "map: expected a column map in TOML or JSON"),
        ("{", "map: expected a column map in TOML or JSON"),
    ],
)
def test_a_column_map_that_is_wrong_is_refused_by_key(
    barge: Path, capsys: Capture, content: str, expected: str
) -> None:
    (barge / "map").write_text(content)
    (barge / "log.csv").write_text(table("time,state_of_charge", "{t},98"))
    assert main(["replay", "log.csv", "--columns", "map"]) == USAGE
    assert capsys.readouterr().err.startswith(expected)


def test_a_column_map_that_is_not_there_is_refused(barge: Path, capsys: Capture) -> None:
    (barge / "log.csv").write_text(table("time,state_of_charge", "{t},98"))
    assert main(["replay", "log.csv", "--columns", "nowhere.toml"]) == USAGE
    assert capsys.readouterr().err.startswith("nowhere.toml: expected a readable file: No such file")
