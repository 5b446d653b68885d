"""No byte of a stranger reaches a terminal raw. Outside source: ECMA-48 (C0, C1, CSI) and Unicode's categories."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dumpload.core.printable import one_line, printable, shorten


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("97 °C, 2.5 mm², café", "97 °C, 2.5 mm², café"),
        ("\x1b[2J\x07", r"\x1b[2J\x07"),
        ("\x9b31m", r"\x9b31m"),  # CSI as one C1 character (ECMA-48, 5.4)
        ("off\u202eno", r"off\u202eno"),  # right-to-left override (Unicode, UAX 9)
        ("a\udcffb", r"a\udcffb"),
        ("a\nb\r\tc", r"a\nb\r\tc"),
        ("\u2028\u200b\ufeff", r"\u2028\u200b\ufeff"),
    ],
)
def test_what_drives_a_terminal_is_shown_as_an_escape(text: str, shown: str) -> None:
    assert printable(text) == shown


def test_line_feeds_stay_where_there_are_lines() -> None:
    assert printable("a\nb\x1b", lines=True) == "a\nb\\x1b"


@given(st.text(st.characters(), max_size=50), st.booleans())
def test_nothing_is_left_that_is_a_control_a_format_or_a_surrogate(text: str, lines: bool) -> None:
    shown = printable(text, lines=lines)
    shown.encode()
    left = {c for c in shown if unicodedata.category(c) in {"Cc", "Cf", "Cs", "Zl", "Zp"}}
    assert left <= ({"\n"} if lines else set())
    assert printable(shown, lines=lines) == shown


@given(st.text(st.characters(), max_size=700), st.integers(3, 400))
def test_a_long_line_is_cut_in_the_middle(text: str, most: int) -> None:
    line = one_line(text, most)
    assert len(line) <= most
    assert "\n" not in line
    assert line == printable(text) or (
        "…" in line and line[0] == printable(text)[0] and line[-1] == printable(text)[-1]
    )


def test_begin_and_end_are_kept() -> None:
    assert shorten("abcdefghij", 5) == "ab…ij"
    assert shorten("abcde", 5) == "abcde"
