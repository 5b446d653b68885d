"""Writes a history as fast as it can until it is killed, and says what has been committed. Run by its path.

Forks one writer per line on standard input, so that hundreds of them start quickly. Each says, in lines on standard
output: its process, then `ROUND SEQUENCE...` for every commit, after the database said that it is done.
"""

import itertools
import os
import sys
import time
from pathlib import Path
from typing import Any

from dumpload.history.file import HistoryFile
from dumpload.history.schema import Boot, Entry, RowKind
from dumpload.history.writer import HistoryOptions, HistoryWriter

FAST = HistoryOptions(retain_days=36_500, max_size_mb=10_000, batch_s=0.002, retry_s=0.01)

ROWS_AT_ONCE = 20
LONG = "x" * 1000


def say(*words: object) -> None:
    os.write(1, (" ".join(map(str, words)) + "\n").encode())


def write_for_ever(path: Path, number: str) -> None:
    write = HistoryFile.write

    def told(file: HistoryFile, batch: Any, *, durable: bool) -> None:
        write(file, batch, durable=durable)
        say(number, *(entry.sequence for entry in (*batch.moments, *batch.samples)))

    HistoryFile.write = told  # type: ignore[method-assign]
    history = HistoryWriter(path, FAST, lambda note: say("trouble", note) if note else None)
    wall = time.time()
    history.begin(Boot(f"round-{number}", wall, 0.0, "test"), Entry(history.reserve(), wall, RowKind.START, 0, 0, 0))
    sequence = 0
    for step in itertools.count():
        for _ in range(ROWS_AT_ONCE):  # large commits: to be killed in the middle of one must be likely
            before, sequence = sequence, history.reserve()
            history.put(Entry(sequence, wall, RowKind.SAMPLE, step, step, step, 0, step, text=LONG))
            history.extend(before, step)
        if step % 3 == 0:
            history.put(Entry(sequence + 1, wall, RowKind.CHANGE, step, step, step, text=LONG))
        time.sleep(0.001)


def main() -> None:
    for line in sys.stdin:
        child = os.fork()
        if child == 0:
            say(line.strip(), os.getpid())
            write_for_ever(Path(sys.argv[1]), line.strip())
        os.waitpid(child, 0)
        say("ended")


if __name__ == "__main__":
    main()
