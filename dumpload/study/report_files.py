"""Writes a report's files: the page, and each picture by itself as SVG or PNG."""

from pathlib import Path

from dumpload.study.report import Report
from dumpload.study.report_pictures import Picture, pictures


class WriteError(Exception):
    """A file of the report could not be written; the text names the option, the file and what was expected."""


def write_page(report: Report, path: Path) -> None:
    """Write the page.

    Raises:
        WriteError: the file cannot be written.
    """
    _write(path, report.page.encode(), "--report")


def write_svg(report: Report, folder: Path) -> None:
    """Write each picture into a folder, which is made if need be.

    Raises:
        WriteError: a file cannot be written.
    """
    for picture in _pictures(report):
        _write(folder / f"{picture.name}.svg", picture.file().encode(), "--svg")


def write_png(report: Report, folder: Path) -> None:
    """Write each picture into a folder as PNG.

    Raises:
        WriteError: a file cannot be written, or what draws them is not installed.
    """
    try:
        from resvg_py import svg_to_bytes  # noqa: PLC0415  (an extra)
    except ImportError:
        message = f"--png {folder}: expected the extra that draws them: pip install 'dumpload[picture]'"
        raise WriteError(message) from None
    for picture in _pictures(report):
        _write(folder / f"{picture.name}.png", bytes(svg_to_bytes(svg_string=picture.file())), "--png")


def _pictures(report: Report) -> list[Picture]:
    control = report.settings.control
    return pictures(report.chronicle, control.cut_in_percent, control.cut_out_percent)


def _write(path: Path, content: bytes, option: str) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    except OSError as error:
        message = f"{option} {path}: expected a file that can be written ({error.strerror})"
        raise WriteError(message) from None
