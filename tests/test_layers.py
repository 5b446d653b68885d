"""Settings are found in one place, laid over each other in one order, and nothing but ConfigError comes out."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dumpload import layers
from dumpload.layers import ConfigError, Problem, find_config, load_layers, show

BARGE = "[control]\ncut_in_percent = 97\n\n[relay]\npin = 17\n"


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "dumpload.toml"
    path.write_text(BARGE)
    return path


@pytest.fixture
def empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(layers, "SEARCHED", ("./config/dumpload.toml", "./etc/dumpload.toml"))
    return tmp_path


def touch(path: Path) -> Path:
    path.parent.mkdir(exist_ok=True)
    path.touch()
    return path


# Which file


def test_the_usual_places_are_the_documented_ones() -> None:
    assert layers.SEARCHED == ("./config/dumpload.toml", "/etc/dumpload/dumpload.toml")


def test_the_explicit_file_wins_over_the_environment_and_that_over_the_usual_places(empty_folder: Path) -> None:
    touch(empty_folder / "config/dumpload.toml")
    mine, theirs = touch(empty_folder / "mine.toml"), touch(empty_folder / "theirs.toml")
    environ = {"DUMPLOAD_CONFIG": str(theirs)}
    assert find_config(str(mine), environ) == mine
    assert find_config(None, environ) == theirs
    assert find_config(None, {}) == Path("config/dumpload.toml")


def test_the_file_here_wins_over_the_one_of_the_system(empty_folder: Path) -> None:
    touch(empty_folder / "etc/dumpload.toml")
    assert find_config(None, {}) == Path("etc/dumpload.toml")
    touch(empty_folder / "config/dumpload.toml")
    assert find_config(None, {}) == Path("config/dumpload.toml")


@pytest.mark.usefixtures("empty_folder")
def test_no_file_at_all_names_every_place_looked_in() -> None:
    with pytest.raises(ConfigError) as error:
        find_config(None, {})
    for place in ("--config", "DUMPLOAD_CONFIG", "./config/dumpload.toml", "./etc/dumpload.toml"):
        assert place in str(error.value)


@pytest.mark.parametrize(
    ("explicit", "environ", "line"),
    [
        ("no.toml", {}, '--config: expected the path of an existing file, not "no.toml"'),
        ("x" * 90, {}, '--config: expected the path of an existing file, not "' + "x" * 90 + '"'),
        ("", {}, '--config: expected the path of an existing file, not ""'),
        (
            None,
            {"DUMPLOAD_CONFIG": "no.toml"},
            'environment DUMPLOAD_CONFIG: expected the path of an existing file, not "no.toml"',
        ),
        (None, {"DUMPLOAD_CONFIG": ""}, 'environment DUMPLOAD_CONFIG: expected the path of an existing file, not ""'),
        ("a\0b", {}, '--config: expected the path of an existing file, not "a\\x00b"'),
    ],
)
def test_a_named_file_that_is_missing_is_an_error_and_no_other_is_taken(
    empty_folder: Path, explicit: str | None, environ: dict[str, str], line: str
) -> None:
    touch(empty_folder / "config/dumpload.toml")
    with pytest.raises(ConfigError) as error:
        find_config(explicit, environ)
    assert str(error.value) == line


# What is in it


@pytest.mark.parametrize(
    ("content", "complaint"),
    [
        (b"", ": expected settings; the file has none"),
        (b"# only a remark\n", ": expected settings; the file has none"),
        (b"a = \n", ", line 1, column 5: expected TOML: Invalid value"),
        (b"a = 1\nb = 'half", ', line 2, column 10: expected TOML: Expected "\'"'),
        (b"[relay", ", line 1, column 7: expected TOML: Expected ']' at the end of a table declaration"),
        (b"a = 1\na = 2\n", ", line 2, column 6: expected TOML: Cannot overwrite a value"),
        (b"a = 1\n\0\0\0", ": expected text, but line 2 has NUL bytes (was a write cut off?)"),
        (b"a = 1\nb = '\xff'\n", ": expected UTF-8 text; line 2 is not"),
        (b"a = " + b"[" * 5000, ": expected TOML that is not nested so deep"),
        (b"a = " + b"9" * 5000, ", line 1, column 5005: expected TOML: Exceeds the limit (4300 digits)"),
        (b"#" * (1024 * 1024 + 1), ": expected at most 1048576 bytes"),
    ],
)
def test_a_file_that_cannot_be_used_says_why_and_where(tmp_path: Path, content: bytes, complaint: str) -> None:
    path = tmp_path / "dumpload.toml"
    path.write_bytes(content)
    with pytest.raises(ConfigError) as error:
        load_layers(path, {}, [])
    assert str(error.value).startswith(f"{path}{complaint}")
    assert len(error.value.problems) == 1


@pytest.mark.parametrize("name", [".", "missing.toml", "/dev/zero"])
def test_a_folder_a_missing_file_and_an_endless_one_are_errors(tmp_path: Path, name: str) -> None:
    with pytest.raises(ConfigError):
        load_layers(tmp_path / name, {}, [])


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_a_file_without_permission_is_an_error(file: Path) -> None:
    file.chmod(0)
    with pytest.raises(ConfigError, match="Permission denied"):
        load_layers(file, {}, [])


def test_a_byte_order_mark_is_no_error(tmp_path: Path) -> None:
    path = tmp_path / "dumpload.toml"
    path.write_bytes(b"\xef\xbb\xbf" + BARGE.encode())
    assert load_layers(path, {}, []).values["relay"] == {"pin": 17}


# Which layer wins


def test_the_environment_overrides_the_file_and_set_overrides_both(file: Path) -> None:
    key, environ = "control.cut_in_percent", {"DUMPLOAD_CONTROL__CUT_IN_PERCENT": "98"}
    for sets, environment, value, origin in [
        ([], {}, 97, str(file)),
        ([], environ, 98, "environment DUMPLOAD_CONTROL__CUT_IN_PERCENT"),
        ([f"{key}=99"], environ, 99, "--set"),
        ([f"{key}=99", f"{key} = 96"], environ, 96, "--set"),
    ]:
        found = load_layers(file, environment, sets)
        assert found.values == {"control": {"cut_in_percent": value}, "relay": {"pin": 17}}
        assert found.origins == {key: origin, "relay.pin": str(file)}
        assert found.problems == []


def test_the_variable_that_names_the_file_and_those_of_others_are_no_settings(file: Path) -> None:
    found = load_layers(file, {"DUMPLOAD_CONFIG": str(file), "PATH": "/bin", "DUMPLOADER": "1"}, [])
    assert set(found.origins) == {"control.cut_in_percent", "relay.pin"}


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("97", 97),
        ("97.5", 97.5),
        ("true", True),
        ('["09:00-17:00"]', ["09:00-17:00"]),
        ('"97"', "97"),
        ("barge/bank/charge", "barge/bank/charge"),
        ("", ""),
        ("True", "True"),
        ("97 %", "97 %"),
        ("1\nother = 2", "1\nother = 2"),
        ("[" * 5000, "[" * 5000),
        ("9" * 5000, "9" * 5000),
    ],
)
def test_the_text_of_an_override_is_a_toml_value_or_else_itself(file: Path, text: str, value: object) -> None:
    from_set = load_layers(file, {}, [f"control.x={text}"])
    from_environment = load_layers(file, {"DUMPLOAD_CONTROL__X": text}, [])
    for found in (from_set, from_environment):
        assert found.values["control"]["x"] == value
        assert type(found.values["control"]["x"]) is type(value)
        assert found.texts == {"control.x": text}


def test_a_table_as_override_adds_to_the_table(file: Path) -> None:
    found = load_layers(file, {"DUMPLOAD_CONTROL": "{floor_percent = 40}"}, [])
    assert found.values["control"] == {"cut_in_percent": 97, "floor_percent": 40}
    assert found.origins["control.floor_percent"] == "environment DUMPLOAD_CONTROL"
    assert found.origins["control.cut_in_percent"] == str(file)


@pytest.mark.parametrize(
    ("sets", "line"),
    [
        (["control.floor_percent"], "--set: control.floor_percent: expected KEY=VALUE"),
        (["relay.pin.x=1"], "--set: relay.pin.x = 1: expected a key that exists; pin is no table"),
        (["control={}"], "--set: control = {}: expected at least one key"),
        (["name=\udcff"], '--set: name = "\\udcff": expected UTF-8 text'),
        (["\udcff=1"], '--set: \\udcff = "1": expected UTF-8 text'),
    ],
)
def test_an_override_that_fits_nowhere_is_kept_as_a_problem(file: Path, sets: list[str], line: str) -> None:
    found = load_layers(file, {}, sets)
    assert [problem.line for problem in found.problems] == [line]
    assert found.values == load_layers(file, {}, []).values


# How it is shown


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (97, "97"),
        (True, "true"),
        (float("nan"), "nan"),
        ('say "x"\\', '"say \\"x\\"\\\\"'),
        (["a", 1], '["a", 1]'),
        ({"a": {"b": 1}}, "{a = {b = 1}}"),
        pytest.param(16**6000, "a very long number", id="very long"),
        ("x" * 100, '"' + "x" * 56 + "..."),
    ],
)
def test_values_are_shown_as_in_the_file_and_shortened(value: object, text: str) -> None:
    assert show(value) == text


def test_a_problem_is_one_printable_line() -> None:
    problem = Problem("file\n", "key\udcff", '"\x1b[31m"', "a number")
    assert problem.line == 'file\\n: key\\udcff = "\\x1b[31m": expected a number'
    assert str(ConfigError([problem, Problem("f", "", "", "x")])).split("\n") == [problem.line, "f: expected x"]


# Nothing else comes out


@given(st.binary(max_size=200) | st.text(max_size=200).map(lambda text: text.encode("utf-8", "surrogatepass")))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_content_of_the_file_raises_anything_else(file: Path, content: bytes) -> None:
    file.write_bytes(content)
    lines = 1
    try:
        load_layers(file, {}, [])
    except ConfigError as error:
        lines = len(str(error).splitlines())
    assert lines == 1


@given(
    st.dictionaries(st.text(max_size=20).map("DUMPLOAD_{}".format), st.text(max_size=30), max_size=3),
    st.lists(st.text(max_size=30), max_size=3),
)
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_override_raises_anything_and_none_is_forgotten(
    file: Path, environ: dict[str, str], sets: list[str]
) -> None:
    found = load_layers(file, environ, sets)
    mentioned = {*found.origins, *(problem.key for problem in found.problems)}
    for name in environ:
        key = name.removeprefix("DUMPLOAD_").lower().replace("__", ".")
        assert name == "DUMPLOAD_CONFIG" or any(seen == key or seen.startswith(f"{key}.") for seen in mentioned)
    assert all("=" in assignment or assignment in mentioned for assignment in sets)


def test_importing_this_loads_no_library() -> None:
    folder = Path(layers.__file__).parent.parent
    code = f"import sys; sys.path.insert(0, {str(folder)!r}); import dumpload.layers; print(*sys.modules)"
    command = [sys.executable, "-S", "-c", code]
    loaded = subprocess.run(command, check=True, capture_output=True, text=True).stdout.split()
    assert not {"pydantic", "tomllib", "argparse", "json", "gpiozero", "paho"} & set(loaded)
