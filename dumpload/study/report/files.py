"""Writes a report's files: the page, and each picture by itself as SVG or PNG; all of them or none."""

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from dumpload.study.report.pictures import Picture, pictures
from dumpload.study.report.report import Report

NOT_PLAIN = "it is no plain file"
NO_FOLDER = "what it should be in is no folder"


class WriteError(Exception):
    """A file of the report could not be written; the text names the option, the file and what was expected."""


class _File(NamedTuple):
    option: str
    path: Path
    content: bytes

    def error(self, reason: str | None) -> WriteError:
        return WriteError(f"{self.option} {self.path}: expected a file that can be written ({reason})")


def write_files(report: Report, *, page: Path | None = None, svg: Path | None = None, png: Path | None = None) -> None:
    """Write the page into a file, and each picture into the folders `svg` and `png`, which are made if need be.

    Raises:
        WriteError: something cannot be written, or what draws PNG is not installed; nothing is written then.
    """
    files = [*_page(report, page), *_svg(report, svg), *_png(report, png)]
    staged: list[tuple[Path, _File]] = []
    try:
        for file in files:
            staged.append((_beside(file), file))
            with _named(file):
                staged[-1][0].parent.mkdir(parents=True, exist_ok=True)
                staged[-1][0].write_bytes(file.content)
        for beside, file in staged:
            with _named(file):
                beside.replace(file.path.resolve())
    finally:
        for beside, _file in staged:
            with contextlib.suppress(OSError):
                beside.unlink()


def _page(report: Report, path: Path | None) -> Iterator[_File]:
    if path is not None:
        yield _File("--report", path, report.page.encode(errors="replace"))


def _svg(report: Report, folder: Path | None) -> Iterator[_File]:
    if folder is not None:
        for picture in _pictures(report):
            yield _File("--svg", folder / f"{picture.name}.svg", picture.file().encode())


def _png(report: Report, folder: Path | None) -> Iterator[_File]:
    if folder is None:
        return
    try:
        from resvg_py import svg_to_bytes  # noqa: PLC0415  (an extra)
    except ImportError:
        message = f"--png {folder}: expected the extra that draws them: pip install 'dumpload[picture]'"
        raise WriteError(message) from None
    for picture in _pictures(report):
        yield _File("--png", folder / f"{picture.name}.png", bytes(svg_to_bytes(svg_string=picture.file())))


def _pictures(report: Report) -> list[Picture]:
    control = report.settings.control
    return pictures(report.data, control.cut_in_percent, control.cut_out_percent)


def _beside(file: _File) -> Path:
    """Return where to write first: the file itself is replaced when all is written."""
    target = file.path.resolve()
    if target.exists() and not target.is_file():
        raise file.error(NOT_PLAIN)
    return target.with_name(f".{target.name}.{os.getpid()}")


@contextlib.contextmanager
def _named(file: _File) -> Iterator[None]:
    try:
        yield
    except FileExistsError:
        raise file.error(NO_FOLDER) from None
    except OSError as error:
        raise file.error(error.strerror) from None
