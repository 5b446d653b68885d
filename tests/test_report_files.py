"""A report's files: all of them or none, and a PNG that shows what the SVG does."""

import struct
import subprocess
import zlib
from pathlib import Path

import pytest
from chronicles import rough
from judged import settings

from dumpload.files import WriteError
from dumpload.replay.figures import figures
from dumpload.report.files import write_files
from dumpload.report.pictures import LEFT, WIDTH
from dumpload.report.report import Report

SETTINGS = settings()
MONTH = rough(30, 4)
REPORT = Report(MONTH, figures(SETTINGS, MONTH.result.summary), SETTINGS)


def pixels(png: bytes) -> tuple[int, int, list[bytes]]:
    """Return width, height and the rows of a PNG of 8 bits and four colours (RFC 2083)."""
    width, height, depth, colours = struct.unpack(">IIBB", png[16:26])
    assert (depth, colours) == (8, 6)
    data, at = b"", 8
    while at < len(png):
        length, kind = struct.unpack(">I4s", png[at : at + 8])
        data += png[at + 8 : at + 8 + length] if kind == b"IDAT" else b""
        at += 12 + length
    raw, rows, before = zlib.decompress(data), [], bytes(4 * width)
    for row in range(height):
        begin = row * (4 * width + 1)
        before = unfiltered(raw[begin], raw[begin + 1 : begin + 1 + 4 * width], before)
        rows.append(before)
    return width, height, rows


def unfiltered(kind: int, line: bytes, above: bytes) -> bytes:
    found = bytearray(line)
    for index in range(len(found)):
        left = found[index - 4] if index >= 4 else 0
        corner = above[index - 4] if index >= 4 else 0
        guess = left + above[index] - corner
        nearest = min((left, above[index], corner), key=lambda value: abs(guess - value))
        found[index] = (found[index] + (0, left, above[index], (left + above[index]) // 2, nearest)[kind]) % 256
    return bytes(found)


def has_fonts() -> bool:
    try:
        done = subprocess.run(["fc-list", ":lang=en", "family"], capture_output=True, text=True, check=True)
    except (OSError, subprocess.CalledProcessError):
        return any(Path("/usr/share/fonts").rglob("*.ttf"))
    return bool(done.stdout.strip())


@pytest.mark.skipif(not has_fonts(), reason="not there: any font")
def test_a_png_is_drawn_four_times_as_large_on_white_with_its_labels(tmp_path: Path) -> None:
    write_files(REPORT, png=tmp_path)
    width, height, rows = pixels((tmp_path / "charge.png").read_bytes())
    assert (width, height) == (4 * WIDTH, 4 * 230)
    assert rows[0][:4] == b"\xff\xff\xff\xff"
    margin = {row[4 * x : 4 * x + 4] for row in rows for x in range(4 * LEFT - 24)}
    assert any(max(pixel[:3]) < 0x80 for pixel in margin), "there are no labels left of the axis"


def test_nothing_is_written_where_nothing_is_wanted(tmp_path: Path) -> None:
    write_files(REPORT)
    assert [*tmp_path.iterdir()] == []


def test_the_same_report_gives_the_same_files(tmp_path: Path) -> None:
    for name in ("a", "b"):
        write_files(REPORT, page=tmp_path / name / "page.html", svg=tmp_path / name, png=tmp_path / name)
    first, second = (sorted((tmp_path / name).iterdir()) for name in ("a", "b"))
    assert len(first) == 7
    assert [(one.name, one.read_bytes()) for one in first] == [(one.name, one.read_bytes()) for one in second]


def test_a_file_that_cannot_be_written_leaves_what_was_there(tmp_path: Path) -> None:
    """The last picture has no place: the page of before is still there, whole, and nothing else is."""
    (tmp_path / "page.html").write_text("before")
    (tmp_path / "svg" / "energy.svg").mkdir(parents=True)
    with pytest.raises(WriteError, match=r"--svg .*energy\.svg: expected a file that can be written"):
        write_files(REPORT, page=tmp_path / "page.html", svg=tmp_path / "svg")
    assert (tmp_path / "page.html").read_text() == "before"
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == [tmp_path / "page.html"]
