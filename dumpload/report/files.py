"""Writes a report's files: the page, and each picture by itself as SVG or PNG; all of them or none."""

from collections.abc import Iterable, Iterator
from pathlib import Path

from dumpload.core.printable import printable
from dumpload.files import Named, Output, WriteError, write_outputs
from dumpload.report.pictures import Picture, pictures
from dumpload.report.report import Report


def write_files(
    report: Report,
    *,
    page: Path | None = None,
    svg: Path | None = None,
    png: Path | None = None,
    protected: Iterable[Named] = (),
) -> None:
    """Write the page into a file, and each picture into the folders `svg` and `png`, which are made if need be.

    Raises:
        WriteError: something cannot be written, would replace a file of `named`, or what draws PNG is not installed;
            nothing is written then.
    """
    write_outputs([*_page(report, page), *_svg(report, svg), *_png(report, png)], protected)


def _page(report: Report, path: Path | None) -> Iterator[Output]:
    if path is not None:
        yield Output("--report", path, report.page.encode())


def _svg(report: Report, folder: Path | None) -> Iterator[Output]:
    if folder is not None:
        for picture in _pictures(report):
            yield Output("--svg", folder / f"{picture.name}.svg", printable(picture.file(), lines=True).encode())


def _png(report: Report, folder: Path | None) -> Iterator[Output]:
    if folder is None:
        return
    try:
        from resvg_py import svg_to_bytes  # an extra
    except ImportError:
        message = f"--png {folder}: expected the extra that draws them: pip install 'dumpload[picture]'"
        raise WriteError(message) from None
    for picture in _pictures(report):
        yield Output(
            "--png",
            folder / f"{picture.name}.png",
            bytes(svg_to_bytes(svg_string=printable(picture.file(), lines=True))),
        )


def _pictures(report: Report) -> list[Picture]:
    control = report.settings.control
    return pictures(report.data, control.cut_in_percent, control.cut_out_percent)
