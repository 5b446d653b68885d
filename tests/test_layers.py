"""Settings are found in one place, laid over each other in one order, and nothing but ConfigError comes out."""

import os
import socket
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dumpload.config import layers
from dumpload.config.layers import ConfigError, Problem, choice_remark, find_config, load_layers, show

BARGE = "[control]\ncut_in_percent = 97\n\n[relay]\npin = 17\n"


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "dumpload.toml"
    path.write_text(BARGE)
    return path


@pytest.fixture
def empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


# The usual places, with a folder of the test's in place of the system's.
SEARCHED = ("./etc/dumpload.toml", *layers.SEARCHED[1:])


def touch(path: Path, text: str = "") -> Path:
    path.parent.mkdir(exist_ok=True)
    path.write_text(text)
    return path


# Which file


def test_the_usual_places_are_the_documented_ones_and_the_installed_file_comes_first() -> None:
    assert layers.SEARCHED == ("/etc/dumpload/dumpload.toml", "./dumpload.toml", "./config/dumpload.toml")


def test_the_explicit_file_wins_over_the_environment_and_that_over_the_usual_places(empty_folder: Path) -> None:
    touch(empty_folder / "config/dumpload.toml")
    mine, theirs = touch(empty_folder / "mine.toml"), touch(empty_folder / "theirs.toml")
    environ = {"DUMPLOAD_CONFIG": str(theirs)}
    assert find_config(str(mine), environ, SEARCHED) == mine
    assert find_config(None, environ, SEARCHED) == theirs
    assert find_config(None, {}, SEARCHED) == Path("config/dumpload.toml")


def test_the_installed_file_wins_over_those_of_the_working_folder(empty_folder: Path) -> None:
    for name in ("config/dumpload.toml", "dumpload.toml", "etc/dumpload.toml"):
        touch(empty_folder / name)
        assert find_config(None, {}, SEARCHED) == Path(name)


@pytest.mark.usefixtures("empty_folder")
def test_no_file_at_all_names_every_place_looked_in() -> None:
    with pytest.raises(ConfigError) as error:
        find_config(None, {}, SEARCHED)
    for place in ("--config", "DUMPLOAD_CONFIG", *SEARCHED):
        assert place in str(error.value)


def test_where_two_usual_files_differ_the_one_taken_is_said(empty_folder: Path) -> None:
    installed, sample = touch(empty_folder / "etc/dumpload.toml", "a = 1\n"), empty_folder / "config/dumpload.toml"
    assert choice_remark(None, {}, installed, SEARCHED) == ""
    touch(sample, "a = 1\n")
    assert choice_remark(None, {}, installed, SEARCHED) == ""
    touch(sample, "a = 2\n")
    words = f"settings from {installed}; ignored, although different: {sample} (choose with --config)"
    assert choice_remark(None, {}, installed, SEARCHED) == words
    assert choice_remark("etc/dumpload.toml", {}, installed, SEARCHED) == "", "who names a file knows which"
    environ = {"DUMPLOAD_CONFIG": "etc/dumpload.toml"}
    assert choice_remark(None, environ, installed, SEARCHED) == "", "so does who names it in the environment"
    sample.unlink()
    sample.symlink_to(installed)
    assert choice_remark(None, {}, installed, SEARCHED) == "", "it is the same file"


def test_a_usual_file_that_cannot_be_compared_counts_as_different(empty_folder: Path) -> None:
    installed = touch(empty_folder / "etc/dumpload.toml", "a = 1\n")
    os.mkfifo(empty_folder / "dumpload.toml")
    assert f"different: {empty_folder / 'dumpload.toml'} " in choice_remark(None, {}, installed, SEARCHED)


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


TOO_DEEP = ": expected TOML that is not nested deeper than 8 levels"


@pytest.mark.parametrize(
    ("content", "complaint"),
    [
        (b"", ": expected settings; the file has none"),
        (b"# only a remark\n", ": expected settings; the file has none"),
        (b"a = \n", ", line 1, column 5: expected TOML: Invalid value"),
        (b"a = 1\nb = 'half", ', line 2, column 10: expected TOML: Expected "\'"'),
        (b"[relay", ", line 1, column 7: expected TOML: Expected ']' at the end of a table declaration"),
        (b"a = 1\na = 2\n", ", line 2, column 6: expected each key once; this one is defined twice"),
        (b"[a]\nb = 1\n[a]\n", ", line 3, column 3: expected each table once; this one is defined twice"),
        (b"a = 97,5\n", ", line 1, column 7: expected a decimal point, not a comma (such as 97.5)"),
        (b"a = -0,5 # watts\n", ", line 1, column 7: expected a decimal point, not a comma (such as 97.5)"),
        (b"a = True\n", ", line 1, column 5: expected true or false, in small letters"),
        (b"a = yes\n", ", line 1, column 5: expected true or false, in small letters"),
        (b"a = 24 V # the bank\n", ", line 1, column 8: expected a number without its unit"),
        (b"a = 97 %\n", ", line 1, column 8: expected a number without its unit"),
        (b"a = .5\n", ", line 1, column 5: expected a digit before the decimal point"),
        ("a = “x”\n".encode(), ', line 1, column 5: expected straight quotes (")'),
        (b'a = "boat\n', ", line 1, column 10: expected the closing quote in the same line"),
        (b'a = "boat', ", line 1, column 10: expected the closing quote in the same line"),
        (b"a: 5\n", ", line 1, column 2: expected KEY = VALUE"),
        (b"a = 09:00-17:00\n", ', line 1, column 6: expected text in quotes (such as "text")'),
        (b"a = 10.0.0.7\n", ', line 1, column 9: expected text in quotes (such as "text")'),
        (b"a = 5;\n", ", line 1, column 6: expected TOML: Expected newline"),
        (b"a = boat/bank\n", ', line 1, column 5: expected text in quotes (such as "text")'),
        (b"a = 1\n\0\0\0", ": expected text, but line 2 has NUL bytes (was a write cut off?)"),
        (b"a = 1\nb = '\xff'\n", ": expected UTF-8 text; line 2 is not"),
        (b"a = " + b"[" * 5000, TOO_DEEP),
        (b"a = " + b"[" * 8 + b"]" * 8, TOO_DEEP),
        (b"a = " + b"{a = " * 8 + b"1" + b"}" * 8, TOO_DEEP),
        (b"[" + b".".join([b"a"] * 1000) + b"]\nb = 1\n", TOO_DEEP),
        (b".".join([b"a"] * 1000) + b" = 1\n", TOO_DEEP),
        (b'"" . ' * 1000 + b"a = 1\n", TOO_DEEP),
        (b".".join([b"a"] * 60_000) + b" = 1\n", TOO_DEEP),
        (b"a = [" + b"1," * 2001 + b"]\n", ": expected at most 2000 values"),
        (b"".join(b"a%d = 1\n" % number for number in range(2001)), ": expected at most 2000 values"),
        (b"a = " + b"9" * 5000, ", line 1, column 5005: expected TOML: Exceeds the limit (4300 digits)"),
        (b"#" * (128 * 1024 + 1), ": expected at most 131072 bytes"),
    ],
)
def test_a_file_that_cannot_be_used_says_why_and_where(tmp_path: Path, content: bytes, complaint: str) -> None:
    path = tmp_path / "dumpload.toml"
    path.write_bytes(content)
    with pytest.raises(ConfigError) as error:
        load_layers(path, {}, [])
    assert str(error.value).startswith(f"{path}{complaint}")
    assert len(error.value.problems) == 1


@pytest.mark.parametrize(
    ("name", "words"),
    [
        (".", "a regular file, not a folder"),
        ("missing.toml", "a readable file: No such file or directory"),
        ("/dev/zero", "a regular file, not a device"),
        ("pipe", "a regular file, not a pipe"),
        ("link to a pipe", "a regular file, not a pipe"),
        ("socket", "a regular file, not a socket"),
    ],
)
def test_what_is_no_plain_file_is_an_error_at_once(tmp_path: Path, name: str, words: str) -> None:
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "link to a pipe").symlink_to(tmp_path / "pipe")
    with closing(socket.socket(socket.AF_UNIX)) as one:
        one.bind(str(tmp_path / "socket"))
    with pytest.raises(ConfigError) as error:
        load_layers(tmp_path / name, {}, [])
    assert str(error.value) == f"{tmp_path / name}: expected {words}"


def test_nesting_within_the_bounds_is_read(file: Path) -> None:
    file.write_text("a = " + "[" * 7 + "]" * 7 + "\n" + "b" + ".b" * 7 + " = 1\n# " + "." * 200 + "\n")
    assert set(load_layers(file, {}, []).values) == {"a", "b"}


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
        (["control.floor_percent"], "--set: (not shown): expected KEY=VALUE"),
        (["relay.pin.x=1"], "--set: relay.pin.x = (not shown): unknown setting; pin is not a table"),
        (["a" + ".a" * 8 + "=1"], "--set: a" + ".a" * 8 + ": unknown setting"),
        (["control={}"], "--set: control = {}: expected at least one key"),
        (["name=\udcff"], "--set: name = (not shown): expected UTF-8 text"),
        (["\udcff=1"], "--set: \\udcff = (not shown): expected UTF-8 text"),
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


def test_a_problem_has_at_most_300_characters_and_keeps_file_key_and_what_was_expected() -> None:
    path, key = "/srv/" + "deep/" * 60 + "dumpload.toml", "control." + "x" * 300 + "_percent"
    line = Problem(path, key, "9" * 300, "a number from 0 to 100").line
    assert len(line) == 300
    assert line.startswith("/srv/deep")
    assert line.endswith(": expected a number from 0 to 100")
    assert all(words in line for words in ("dumpload.toml: control.x", "_percent = 9", "…"))


@given(st.builds(Problem, *[st.text(st.characters(), max_size=400)] * 4))
def test_no_problem_is_longer_than_a_line(problem: Problem) -> None:
    assert len(problem.line) <= 300
    assert problem.line.isprintable()


def test_the_first_hundred_problems_are_said_and_the_rest_counted() -> None:
    problem = Problem("f", "k", "", "x")
    assert str(ConfigError([problem] * 100)).split("\n") == [problem.line] * 100
    assert str(ConfigError([problem] * 103)).split("\n") == [*[problem.line] * 100, "... and 3 more"]


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
    assert [problem.key for problem in found.problems].count("(not shown)") >= sum("=" not in one for one in sets)


def test_importing_this_loads_no_library() -> None:
    folder = Path(layers.__file__).parent.parent
    code = f"import sys; sys.path.insert(0, {str(folder)!r}); import dumpload.config.layers; print(*sys.modules)"
    command = [sys.executable, "-S", "-c", code]
    loaded = subprocess.run(command, check=True, capture_output=True, text=True).stdout.split()
    assert not {"pydantic", "tomllib", "argparse", "json", "gpiozero", "paho"} & set(loaded)
