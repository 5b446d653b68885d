"""The house rules, kept by a machine: size, nesting, and who may import whom."""

import ast
import io
import sys
import tokenize
from collections.abc import Iterator
from pathlib import Path

import pytest
from importlinter.cli import lint_imports

import dumpload

PACKAGE = Path(dumpload.__file__).parent
MODULES = sorted(PACKAGE.rglob("*.py"))
CORE = sorted((PACKAGE / "core").rglob("*.py"))
PYPROJECT = Path(__file__).parents[1] / "pyproject.toml"

MODULE_LINES = 400
FUNCTION_LINES = 30
NESTING = 3

Function = ast.FunctionDef | ast.AsyncFunctionDef
BLOCKS = (ast.If, ast.For, ast.AsyncFor, ast.While, ast.With, ast.AsyncWith, ast.Try, ast.TryStar, ast.Match)
DOCUMENTED = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)


def code_lines(source: str) -> set[int]:
    """Return the numbers of the lines that hold code: no blank line, no comment, no docstring."""
    silent = (tokenize.COMMENT, tokenize.NL, tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT, tokenize.ENDMARKER)
    lines: set[int] = set()
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type not in silent:
            lines.update(range(token.start[0], token.end[0] + 1))
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, DOCUMENTED) and ast.get_docstring(node) is not None:
            text = node.body[0]
            lines.difference_update(range(text.lineno, (text.end_lineno or text.lineno) + 1))
    return lines


def nesting(node: ast.AST, depth: int = 0) -> int:
    """Return how deep the blocks of a function lie in one another; an elif lies no deeper than its if."""
    deepest = depth
    for name, value in ast.iter_fields(node):
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, (*DOCUMENTED, ast.Lambda)) or not isinstance(child, ast.AST):
                continue
            is_elif = isinstance(node, ast.If) and name == "orelse" and isinstance(child, ast.If) and len(value) == 1
            deepest = max(deepest, nesting(child, depth + (isinstance(child, BLOCKS) and not is_elif)))
    return deepest


def oversized(source: str) -> Iterator[str]:
    """Yield a sentence for every function that is too long or nested too deep."""
    lines = code_lines(source)
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, Function):
            length = sum(node.lineno <= line <= (node.end_lineno or 0) for line in lines)
            if length > FUNCTION_LINES:
                yield f"{node.name} has {length} code lines; at most {FUNCTION_LINES}"
            if nesting(node) > NESTING:
                yield f"{node.name} is nested {nesting(node)} deep; at most {NESTING}"


def imported(source: str) -> set[str]:
    """Return the full name of every module that the source imports, wherever it does."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            names.add("." * node.level + (node.module or ""))
    return names


def relative(path: Path) -> str:
    return str(path.relative_to(PACKAGE))


def test_there_is_something_to_look_at() -> None:
    assert {"core/law.py", "core/controller.py"} <= {relative(path) for path in MODULES}


def test_a_module_has_at_most_400_lines() -> None:
    """A smell alarm, and no reason to cut one thing in two."""
    assert [relative(path) for path in MODULES if len(path.read_text().splitlines()) > MODULE_LINES] == []


def test_a_function_has_at_most_30_code_lines_and_three_levels() -> None:
    assert [f"{relative(path)}: {words}" for path in MODULES for words in oversized(path.read_text())] == []


def test_a_module_says_what_it_does() -> None:
    assert [relative(path) for path in MODULES if not ast.get_docstring(ast.parse(path.read_text()))] == []


def test_the_core_imports_the_standard_library_and_itself_only() -> None:
    names = {name for path in CORE for name in imported(path.read_text())}
    outside = {name.split(".")[0] for name in names if not name.startswith("dumpload.core")}
    assert outside <= sys.stdlib_module_names


def test_the_core_has_no_clock_no_file_and_no_chance() -> None:
    """Time comes in as a number; nothing is read, written, waited for or drawn."""
    banned = {"time", "os", "pathlib", "random", "secrets", "threading", "subprocess", "socket", "asyncio", "logging"}
    forbidden_calls = {"open", "print", "input", "exec", "eval", "now", "utcnow", "today"}
    for path in CORE:
        source = path.read_text()
        assert {name.split(".")[0] for name in imported(source)} & banned == set(), relative(path)
        called = {node.func for node in ast.walk(ast.parse(source)) if isinstance(node, ast.Call)}
        names = {func.id for func in called if isinstance(func, ast.Name)}
        names |= {func.attr for func in called if isinstance(func, ast.Attribute)}
        assert names & forbidden_calls == set(), relative(path)


def test_who_may_import_whom(capsys: pytest.CaptureFixture[str]) -> None:
    """The contracts in pyproject.toml; their words are shown when one is broken."""
    failed = lint_imports(config_filename=str(PYPROJECT), no_cache=True)
    assert not failed, capsys.readouterr().out


# The rules themselves are looked at, with sources made for it


def body(lines: str) -> str:
    return "def f(x):\n" + lines


@pytest.mark.parametrize(
    ("source", "complaints"),
    [
        (body("    x = 1\n" * 30 + "    # why\n\n" * 20), ["f has 31 code lines; at most 30"]),
        (body("    if x:\n     for y in x:\n      with y:\n       pass\n    elif x == 1:\n     pass\n"), []),
        (
            body("    if x:\n     for y in x:\n      with y:\n       while y:\n        pass\n"),
            ["f is nested 4 deep; at most 3"],
        ),
    ],
)
def test_the_rules_see_what_is_too_long_or_too_deep(source: str, complaints: list[str]) -> None:
    assert list(oversized(source)) == complaints
