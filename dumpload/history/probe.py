"""Whether a history could be kept in a file: tried, and undone. Creates no database and changes none."""

import contextlib
import os
import sqlite3
import tempfile
from pathlib import Path

from dumpload.history.file import BUSY_S, NOT_OURS, is_ours


def why_not_writable(path: Path) -> str:
    """Return why this user could not keep a history there; "" if nothing is against it."""
    try:
        return _try_file(path) if path.exists() else _try_folder(path.parent)
    except OSError as error:
        return f"{error.strerror or error}"
    except sqlite3.Error as error:
        return str(error)


def _try_folder(folder: Path) -> str:
    if not folder.is_dir():
        return f"there is no folder {folder}"
    with tempfile.NamedTemporaryFile(dir=folder, prefix=".dumpload-") as file:
        file.write(bytes(4096))
        file.flush()
        os.fsync(file.fileno())
    return ""


def _try_file(path: Path) -> str:
    if not path.is_file() or (path.stat().st_size and not is_ours(path)):
        return NOT_OURS
    database = sqlite3.connect(f"{path.absolute().as_uri()}?mode=rw", uri=True, timeout=BUSY_S, isolation_level=None)
    try:
        database.execute("BEGIN IMMEDIATE")
        database.execute("CREATE TABLE probe (x)")  # reaches the journal, so that folder and file are both written to
        database.execute("ROLLBACK")
    finally:
        with contextlib.suppress(sqlite3.Error):
            database.close()
    return ""
