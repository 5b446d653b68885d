"""The command that drives the pin off: the line really used first, then the one in the settings, and little else."""

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from fake_lgpio import HEADER, FakeGpio, installed

import dumpload
from dumpload.cli import off
from dumpload.gpio import last_line

SEARCHED = ("./installed/dumpload.toml", "./dumpload.toml", "./config/dumpload.toml")
SETTINGS = '[relay]\npin = 17\nchip_label = "pinctrl-bcm2711"\n'
EXPANDER = "galley-expander"


@pytest.fixture
def gpio(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[FakeGpio]:
    with installed(FakeGpio(keeps_outputs=True, labels={0: HEADER, 3: EXPANDER}), monkeypatch, tmp_path) as fake:
        fake.line(17).is_output = True  # as a killed daemon left it
        fake.line(17).driven = 1
        for name in [name for name in os.environ if name.startswith("DUMPLOAD_")]:
            monkeypatch.delenv(name)
        monkeypatch.chdir(tmp_path)
        yield fake


Run = Callable[..., tuple[int, str, str]]

# What a service user could put in place of the record, which root then reads.
TRAPS: dict[str, Callable[[Path], object]] = {
    "a pipe": os.mkfifo,
    "a link to a device": lambda path: path.symlink_to("/dev/zero"),
    "a link to a file": lambda path: path.symlink_to(__file__),
    "a link to nowhere": lambda path: path.symlink_to("nowhere"),
    "a folder": lambda path: path.mkdir(),
    "a second name of a file": lambda path: (
        path.with_name("first").write_text("x 1 high\n"),
        path.hardlink_to(path.with_name("first")),
    ),
    "too long": lambda path: path.write_text("x" * 200 + " 17 high\n" + " " * 100),
    "endless": lambda path: (path.touch(), os.truncate(path, 1 << 40)),
    "not text": lambda path: path.write_bytes(b"\xff\x00 17 hi\n"),
    "a long number": lambda path: path.write_text("x " + "9" * 240 + " high\n"),
    "empty": lambda path: path.touch(),
}


@pytest.fixture
def run(gpio: FakeGpio, capfd: pytest.CaptureFixture[str], tmp_path: Path) -> Run:
    """Run the command on these settings; return exit status, standard output and standard error."""

    def run_it(settings: str | None, *arguments: str) -> tuple[int, str, str]:
        if settings is not None:
            (tmp_path / "dumpload.toml").write_text(settings)
            arguments = ("--config", str(tmp_path / "dumpload.toml"), *arguments)
        status = off.main(arguments, SEARCHED)
        assert gpio.handles == {}
        return status, *capfd.readouterr()

    return run_it


def named(tmp_path: Path) -> str:
    return f"settings: {tmp_path}/dumpload.toml\n"


def claims(gpio: FakeGpio) -> list[tuple[object, ...]]:
    return [call for call in gpio.trace if call[0] == "gpio_claim_output"]


@pytest.mark.parametrize(("active", "level"), [("", 0), ("active_high = true\n", 0), ("active_high = false\n", 1)])
def test_the_pin_is_driven_to_its_off_level(run: Run, gpio: FakeGpio, tmp_path: Path, active: str, level: int) -> None:
    gpio.line(17).driven = 1 - level
    assert run(SETTINGS + active) == (0, "GPIO17 (pinctrl-bcm2711) driven off\n" + named(tmp_path), "")
    assert claims(gpio) == [("gpio_claim_output", 17, level)]
    assert gpio.edges == [(17, level)]


def test_every_other_setting_may_be_wrong(run: Run, gpio: FakeGpio) -> None:
    settings = 'mqtt = 5\n[control]\ncut_in_percent = "many"\n[relay]\npin = 17\nfeedback_pin = true\nno_such_key = 1\n'
    assert run(settings)[0] == 0
    assert gpio.line(17).level == 0


def test_settings_come_from_the_environment_and_the_command_line_too(
    run: Run, gpio: FakeGpio, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("DUMPLOAD_RELAY__ACTIVE_HIGH", "false")
    assert run(SETTINGS, "--set", "relay.pin=22", f"--set=relay.chip_label={EXPANDER}")[:2] == (
        0,
        "GPIO22 (galley-expander) driven off\n" + named(tmp_path),
    )
    assert claims(gpio) == [("gpio_claim_output", 22, 1)]


def test_the_document_says_what_was_driven(run: Run, tmp_path: Path) -> None:
    status, out, err = run(SETTINGS, "--json")
    assert (status, err) == (0, "")
    assert json.loads(out) == {
        "config": f"{tmp_path}/dumpload.toml",
        "driven_off": [{"pin": 17, "chip": "pinctrl-bcm2711", "level": 0}],
        "remarks": [],
        "problems": [],
    }


def test_the_mock_drives_no_pin_and_says_so(run: Run, gpio: FakeGpio, tmp_path: Path) -> None:
    status, out, _ = run('[relay]\npin = 17\npin_factory = "mock"\n')
    assert (status, out) == (1, 'nothing was driven: relay.pin_factory = "mock"\n' + named(tmp_path))
    assert gpio.trace == []


def test_the_installed_file_names_the_line_and_the_other_one_is_said_to_differ(
    run: Run, gpio: FakeGpio, tmp_path: Path
) -> None:
    for folder, pin in (("config", 22), ("installed", 17)):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "dumpload.toml").write_text(f'[relay]\npin = {pin}\nchip_label = "{HEADER}"\n')
    status, out, err = run(None)
    assert (status, err) == (0, "")
    assert claims(gpio) == [("gpio_claim_output", 17, 0)]
    installed, sample = tmp_path / "installed/dumpload.toml", tmp_path / "config/dumpload.toml"
    assert out.splitlines()[1:] == [
        f"settings from {installed}; ignored, although different: {sample} (choose with --config)",
        f"settings: {installed}",
    ]


@pytest.mark.parametrize("make", [os.mkfifo, Path.mkdir, lambda path: path.symlink_to("/dev/zero")])
def test_settings_that_are_no_plain_file_are_unusable_at_once(
    run: Run, tmp_path: Path, make: Callable[[Path], None]
) -> None:
    make(tmp_path / "dumpload.toml")
    status, _, err = run(None)
    assert status == 2
    assert "expected a regular file, not a " in err
    assert len(err.splitlines()) == 1


def test_a_line_in_use_is_left_alone_and_the_way_out_is_named(run: Run, gpio: FakeGpio, tmp_path: Path) -> None:
    gpio.hold(17, "lg")
    status, out, err = run(SETTINGS)
    assert (status, out) == (1, named(tmp_path))
    assert err.startswith("dumpload off: GPIO17 (pinctrl-bcm2711) is in use, held by ")
    assert err.endswith("use `dumpload select off`\n")
    assert gpio.edges == []


@pytest.mark.parametrize(
    ("break_it", "says"),
    [
        (lambda gpio: setattr(gpio.line(17), "shorted", 1), "still reads on"),
        (lambda gpio: gpio.labels.clear(), "expected one chip labelled pinctrl-bcm2711"),
        (lambda gpio: gpio.failures.update(gpio_claim_output=["unexpected error"]), "unexpected error"),
    ],
    ids=["shorted", "no chip", "refused"],
)
def test_a_line_that_cannot_be_driven_off_is_a_failure(
    run: Run, gpio: FakeGpio, break_it: Callable[[FakeGpio], None], says: str, tmp_path: Path
) -> None:
    break_it(gpio)
    status, out, err = run(SETTINGS)
    assert (status, out) == (1, named(tmp_path))
    assert says in err


@pytest.mark.parametrize(
    ("settings", "says"),
    [
        ("[relay]\nactive_high = true\n", "relay.pin: expected a BCM pin number"),
        ("[relay]\npin = true\n", "relay.pin = true: expected a BCM pin number"),
        ('[relay]\npin = "17"\n', 'relay.pin = "17": expected a BCM pin number'),
        ("[relay]\npin = -1\n", "relay.pin = -1: expected a BCM pin number"),
        ("[relay]\npin = 17\nactive_high = 1\n", "relay.active_high = 1: expected true or false"),
        ("[relay]\npin = 17\nchip_label = 0\n", "relay.chip_label = 0: expected a text"),
        ('[relay]\npin = 17\npin_factory = "any"\n', 'relay.pin_factory = "any": expected "lgpio" or "mock"'),
        ("relay = 17\n", "relay.pin: expected a BCM pin number"),
        ("[relay\n", "expected TOML"),
        ("", "expected settings; the file has none"),
    ],
)
def test_settings_that_do_not_name_a_line_are_unusable(
    run: Run, gpio: FakeGpio, settings: str, says: str, tmp_path: Path
) -> None:
    status, out, err = run(settings)
    assert (status, out) == (2, named(tmp_path))
    assert f"{says}" in err
    assert "dumpload.toml" in err
    assert gpio.trace == []


def test_without_settings_there_is_nothing_to_drive(run: Run) -> None:
    status, _, err = run(None)
    assert status == 2
    assert err.startswith("dumpload off: no settings file")


def test_no_line_is_long_or_drives_a_terminal(run: Run, gpio: FakeGpio) -> None:
    gpio.labels.clear()
    label = "chip" + "x" * 400 + "\\u001b[2J"
    for settings, words in ((SETTINGS, ["x" * 400 + "\x1b"]), (SETTINGS, ["--config", "\x1b" * 400]),
                            (f'[relay]\npin = 17\nchip_label = "{label}"\n', [])):  # fmt: skip
        _status, out, err = run(settings, *words)
        for said in (out + err).splitlines():
            assert len(said) <= 300
            assert said.isprintable()


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--config"], "--config expects a file"),
        (["--config="], "--config expects a file"),
        (["--set"], "--set expects KEY=VALUE"),
        (["--set", "relay.pin"], "--set expects KEY=VALUE, not (not shown)"),
        (["--json=yes"], "unknown argument"),
        (["now"], 'unknown argument "now"'),
        (["--wait"], "--wait expects whole seconds, at most 600"),
        (["--wait", "601"], '--wait expects whole seconds, at most 600, not "601"'),
        (["--wait=-1"], "--wait expects whole seconds"),
        (["--recorded", "--json"], 'unknown argument "--recorded"'),
    ],
)
def test_wrong_usage_touches_nothing(run: Run, gpio: FakeGpio, arguments: list[str], says: str) -> None:
    status, out, err = run(None, *arguments)
    assert (status, out) == (2, "")
    assert says in err
    assert "usage: dumpload off" in err
    assert gpio.trace == []


@pytest.mark.parametrize("word", ["--help", "-h"])
def test_help_touches_nothing(run: Run, gpio: FakeGpio, word: str) -> None:
    status, out, err = run(None, word)
    assert (status, err) == (0, "")
    assert out.startswith("usage: dumpload off")
    assert gpio.trace == []


# The line that the daemon really used


@pytest.fixture
def recorded(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Callable[..., None]:
    def record(pin: int, label: str, *, active_high: bool) -> None:
        monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path))
        last_line.write_records(os.environ, label, pin, active_high=active_high)

    return record


def test_the_recorded_line_goes_first_then_the_configured_one(
    run: Run, gpio: FakeGpio, recorded: Callable[..., None], tmp_path: Path
) -> None:
    recorded(22, EXPANDER, active_high=False)
    said = f"GPIO22 (galley-expander) driven off, as recorded in {tmp_path}/line\nGPIO17 (pinctrl-bcm2711) driven off\n"
    assert run(SETTINGS)[:2] == (0, said + named(tmp_path))
    assert claims(gpio) == [("gpio_claim_output", 22, 1), ("gpio_claim_output", 17, 0)]


@pytest.mark.parametrize("label", ['chip_label = "pinctrl-bcm2711"\n', ""])
def test_the_same_line_is_driven_once_with_the_polarity_that_the_daemon_used(
    run: Run, gpio: FakeGpio, recorded: Callable[..., None], label: str
) -> None:
    recorded(17, HEADER, active_high=True)
    assert run(f"[relay]\npin = 17\nactive_high = false\n{label}")[0] == 0
    assert claims(gpio) == [("gpio_claim_output", 17, 0)]


def test_the_recorded_line_is_driven_off_even_if_the_settings_are_unusable(
    run: Run, gpio: FakeGpio, recorded: Callable[..., None], tmp_path: Path
) -> None:
    recorded(17, HEADER, active_high=True)
    status, out, err = run("[relay\n")
    driven = f"GPIO17 (pinctrl-bcm2711) driven off, as recorded in {tmp_path}/line\n"
    assert (status, out) == (2, driven + named(tmp_path))
    assert "expected TOML" in err
    assert gpio.line(17).level == 0


def test_a_recorded_line_that_fails_does_not_spare_the_configured_one(
    run: Run, gpio: FakeGpio, recorded: Callable[..., None], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    recorded(99, HEADER, active_high=True)
    assert run(SETTINGS)[:2] == (1, "GPIO17 (pinctrl-bcm2711) driven off\n" + named(tmp_path))
    recorded(22, EXPANDER, active_high=True)
    monkeypatch.setattr(gpio, "gpio_read", lambda _handle, pin: 0 if pin == 17 else 1 // 0)
    assert run(SETTINGS)[:2] == (1, "GPIO17 (pinctrl-bcm2711) driven off\n" + named(tmp_path))


@pytest.fixture
def in_runtime_folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """The service's runtime folder, which is its user's own, and the file in it."""
    folder = tmp_path / "run"
    folder.mkdir()
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(folder))
    return folder / "line"


@pytest.mark.parametrize("trap", list(TRAPS), ids=str)
def test_whatever_lies_in_place_of_the_record_the_settings_line_is_driven(
    trap: str, run: Run, gpio: FakeGpio, in_runtime_folder: Path
) -> None:
    TRAPS[trap](in_runtime_folder)
    status, out, _ = run(SETTINGS)
    assert status == 0
    assert out.startswith("GPIO17 (pinctrl-bcm2711) driven off\n")
    assert f"{in_runtime_folder} " in out, "says that it was no record"
    assert gpio.line(17).level == 0


def test_after_a_power_cut_the_record_in_the_state_folder_names_the_line(
    run: Run, gpio: FakeGpio, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    state = tmp_path / "var-lib" / "dumpload"
    state.mkdir(parents=True)
    last_line.write_records({"STATE_DIRECTORY": str(state)}, HEADER, 17, active_high=True)
    monkeypatch.setattr(last_line, "PARENTS", (str(tmp_path / "run"), str(tmp_path / "var-lib")))
    status, out, _ = run("[relay\npin = 22\n")
    driven = f"GPIO17 (pinctrl-bcm2711) driven off, as recorded in {state}/line\n"
    assert (status, out) == (2, driven + named(tmp_path))
    assert gpio.line(17).level == 0


@pytest.mark.parametrize("pin", [17, 22])
def test_outside_a_service_a_recorded_line_in_use_is_another_loads_unless_the_settings_name_it(
    pin: int, run: Run, gpio: FakeGpio, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    state = tmp_path / "dumpload-watermaker"
    state.mkdir()
    last_line.write_records({"STATE_DIRECTORY": str(state)}, HEADER, 17, active_high=True)
    monkeypatch.setattr(last_line, "PARENTS", (str(tmp_path),))
    gpio.hold(17, "lg")
    status, out, err = run(f"[relay]\npin = {pin}\n")
    assert status == (1 if pin == 17 else 0), err
    assert f"recorded in {state}/line, left alone" in out
    assert ("use `dumpload select off`" in err) == (pin == 17)


# A chip that comes late


def test_a_chip_that_comes_late_is_waited_for(run: Run, gpio: FakeGpio, monkeypatch: pytest.MonkeyPatch) -> None:
    labels = dict(gpio.labels)
    gpio.labels.clear()
    waited: list[float] = []

    def sleep(seconds: float) -> None:
        waited.append(seconds)
        if len(waited) == 3:
            gpio.labels.update(labels)

    monkeypatch.setattr("time.sleep", sleep)
    assert run(SETTINGS, "--wait", "600")[::2] == (0, "")
    assert len(waited) == 3


def test_a_recorded_line_whose_chip_is_gone_does_not_hold_up_the_settings_line(
    run: Run, gpio: FakeGpio, recorded: Callable[..., None], monkeypatch: pytest.MonkeyPatch
) -> None:
    recorded(5, "unplugged", active_high=True)
    now = [0.0]

    def sleep(seconds: float) -> None:
        assert gpio.line(17).level == 0, "before any waiting"
        now[0] += seconds

    monkeypatch.setattr("time.sleep", sleep)
    monkeypatch.setattr("time.monotonic", lambda: now[0])
    status, out, err = run(SETTINGS, "--wait=2")
    assert (status, out.splitlines()[0]) == (1, "GPIO17 (pinctrl-bcm2711) driven off")
    assert "expected one chip labelled unplugged" in err


# The process

HEAVY = ("gpiozero", "pydantic", "paho", "structlog", "argparse", "asyncio", "logging", "importlib.metadata", "json")


def test_a_process_imports_nothing_heavy_and_survives_a_closed_output(tmp_path: Path) -> None:
    (tmp_path / "dumpload.toml").write_text('[relay]\npin = 17\npin_factory = "mock"\n')
    code = (
        "import os, sys; from dumpload.cli.off import main; os.close(1); status = main(sys.argv[1:]);"
        "sys.stdout = None;"
        f"print([name for name in {HEAVY} if name in sys.modules], file=sys.stderr); sys.exit(status)"
    )
    environ = {"PYTHONPATH": str(Path(dumpload.__file__).parents[1])}
    done = subprocess.run(
        [sys.executable, "-c", code, "--config", str(tmp_path / "dumpload.toml")],
        capture_output=True,
        text=True,
        check=False,
        env=environ,
    )
    assert (done.returncode, done.stderr) == (1, "[]\n")
