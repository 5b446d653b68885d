"""Loads the libraries of the extras, which take a second, without losing an interrupt."""

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def interrupt_afterwards() -> Iterator[None]:
    """Hold an interrupt (Ctrl-C) back to the end of the block."""
    # While they are loaded some libraries swallow it: a replay that was interrupted in its first half second went on to
    # its end.
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []
    before = signal.signal(signal.SIGINT, lambda number, _frame: came.append(number))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
    if came:
        raise KeyboardInterrupt
