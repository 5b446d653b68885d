"""A small board gets by on little: what each command loads, and that the daemon's own install is all it needs.

`LIGHT_PYTHON` names an interpreter that has the built wheel and its own dependencies and nothing else. What
must not be loaded is looked for with the interpreter of the tests too, where all of it is installed.
"""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from waiting import PATIENCE_S

LIGHT = os.environ.get("LIGHT_PYTHON")

HEAVY = {
    "amqtt",
    "hypothesis",
    "jsonschema",
    "matplotlib",
    "numba",
    "numpy",
    "pandas",
    "pyarrow",
    "pytest",
    "rich",
    "scipy",
    "starlette",
    "uvicorn",
}
# What structlog loads by itself where it finds it; the daemon's own install has none.
TAKEN_UP = {"rich"}

DAEMON_ONLY = {"gpiozero", "lgpio", "paho", "structlog"}
SETTINGS_ONLY = {"pydantic", "pydantic_core", "pydantic_settings"}

SETTINGS = """
[telemetry.state_of_charge]
topic = "barge/bank/charge"
[relay]
pin = 17
pin_factory = "mock"
"""

RUN = """
import sys
sys.argv = ["dumpload", *sys.argv[1:]]
try:
    from dumpload.__main__ import main
    code = main()
except SystemExit as left:
    code = left.code or 0
"""

SHOW = """
import json
import os
os.write(2, json.dumps(sorted(sys.modules)).encode())
sys.exit(code)
"""


@pytest.fixture(params=["of the tests", "light"])
def python(request: pytest.FixtureRequest) -> str:
    if request.param == "of the tests":
        return sys.executable
    if LIGHT is None:
        pytest.skip("LIGHT_PYTHON names no interpreter with the daemon's own install")
    return LIGHT


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "dumpload.toml"
    path.write_text(SETTINGS)
    return path


def loaded_by(python: str, code: str, *words: str) -> tuple[int, set[str]]:
    """Run the code in a process of its own; return its exit code and the top-level modules loaded at its end."""
    # Not in the checkout: what is installed is tested.
    environ = {name: value for name, value in os.environ.items() if not name.startswith(("DUMPLOAD_", "COVERAGE_"))}
    done = subprocess.run(
        [python, "-c", code + SHOW, *words],
        capture_output=True,
        text=True,
        check=False,
        timeout=PATIENCE_S,
        env=environ,
        cwd="/",
    )
    assert done.stderr.startswith("["), done.stderr
    loaded = {name.partition(".")[0] for name in json.loads(done.stderr)}
    return done.returncode, loaded - TAKEN_UP if python != LIGHT and "structlog" in loaded else loaded


def test_the_light_install_has_nothing_heavy_in_it() -> None:
    if LIGHT is None:
        pytest.skip("LIGHT_PYTHON names no interpreter with the daemon's own install")
    code = "import sys, importlib.util as u\nprint([n for n in sys.argv[1:] if u.find_spec(n)])\n"
    done = subprocess.run(
        [LIGHT, "-c", code, *sorted(HEAVY)], capture_output=True, text=True, check=True, timeout=PATIENCE_S, cwd="/"
    )
    assert done.stdout == "[]\n"


def test_the_daemon_loads_nothing_heavy(python: str) -> None:
    code, loaded = loaded_by(
        python,
        "import sys\ncode = 0\nimport dumpload.daemon.bootstrap, dumpload.daemon.service, dumpload.mqtt.session\n",
    )
    assert code == 0
    assert {"gpiozero", "paho", "pydantic", "structlog"} <= loaded
    assert not loaded & (HEAVY | {"sqlite3"})


def test_off_loads_the_standard_library_and_nothing_slow_of_it(python: str, config: Path) -> None:
    code, loaded = loaded_by(python, RUN, "off", "--config", str(config))
    assert code == 1  # the mock pin: nothing was driven
    assert not loaded & (HEAVY | DAEMON_ONLY | SETTINGS_ONLY | {"argparse", "asyncio", "logging", "sqlite3", "ssl"})


def test_the_help_loads_no_library_at_all(python: str) -> None:
    code, loaded = loaded_by(python, RUN, "--help")
    assert code == 0
    assert not loaded & (HEAVY | DAEMON_ONLY | SETTINGS_ONLY | {"asyncio", "logging", "sqlite3", "ssl"})


@pytest.mark.parametrize("json_wanted", [False, True])
def test_check_loads_what_judges_settings_and_nothing_that_drives_or_connects(
    python: str, config: Path, json_wanted: bool
) -> None:
    code, loaded = loaded_by(python, RUN, "check", "--config", str(config), *(["--json"] if json_wanted else []))
    assert code in (0, 1)
    assert "pydantic" in loaded
    assert not loaded & (HEAVY | DAEMON_ONLY)


@pytest.mark.parametrize("others", [0, 1])
def test_a_small_record_is_replayed_without_the_fast_reader(
    python: str, config: Path, tmp_path: Path, others: int
) -> None:
    log = tmp_path / "log.csv"
    log.write_text("time,state_of_charge\n" + "".join(f"{1750075200 + row},97\n" for row in range(2000)))
    words = ["replay", str(log), "--config", str(config), *["--compare", str(config)] * others]
    code, loaded = loaded_by(python, RUN, *words)
    assert code == 0
    assert not loaded & (HEAVY | DAEMON_ONLY)


def test_a_wrong_setting_is_said_without_the_daemon_s_libraries(python: str, config: Path) -> None:
    config.write_text(SETTINGS + "active_hi = true\n")
    code = RUN.replace("import sys", "import sys\nsys.stderr = open('/dev/null', 'w')")
    exit_code, loaded = loaded_by(python, code, "run", "--config", str(config))
    assert exit_code == 2
    assert not loaded & (HEAVY | DAEMON_ONLY)


def test_asking_the_daemon_needs_no_pin_library(python: str, config: Path) -> None:
    code = "import sys\ncode = 0\nimport dumpload.cli.client\n"
    exit_code, loaded = loaded_by(python, code, "status", "--config", str(config))
    assert exit_code == 0
    assert not loaded & (HEAVY | {"gpiozero", "lgpio"})
