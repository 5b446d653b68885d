"""Compile groups of our own functions with numba; its one home.

Nothing is stated twice: numba gets the very code of the functions, under names that lead to each other's compiled
forms. Uncompiled they are ordinary Python, which the compiled form must equal to the last bit. So they use no `**` on
floats (the C library's pow rounds otherwise than a product), and no keyword, generator, dict or None on their way.
"""

import hashlib
import os
import signal
import sys
import threading
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path
from pickle import UnpicklingError
from types import FrameType, FunctionType, ModuleType
from typing import Any, NamedTuple

import numba
import numpy as np

# Errors of unpickling according to the standard library, and of a full disk.
CACHE_ERRORS = (UnpicklingError, AttributeError, EOFError, ImportError, IndexError, OSError)


class Group(NamedTuple):
    """What is compiled together: a name for its cache and a title to show, whole modules, and what is called.

    `modules` come in the order in which they import each other. `allocates` False: no function makes an array, so that
    none is counted on its way through them.
    """

    name: str
    title: str
    modules: tuple[ModuleType, ...]
    called: tuple[Callable[..., Any], ...]
    allocates: bool = True


def group_folder(group: Group, environ: Mapping[str, str] = os.environ) -> Path:
    """Return the cache folder of compiled code, a new one for every change of its sources.

    numba looks only at the file of the function that it caches. A law changed in another file would go on being served
    from the cache in its old form, and a replay would say what the daemon no longer does.
    """
    digest = hashlib.sha256(f"{sys.version} {numba.__version__} {np.__version__}".encode())
    for module in (*group.modules, sys.modules[__name__]):
        assert module.__file__ is not None  # noqa: S101  (a module of ours is a file)
        digest.update(Path(module.__file__).read_bytes())
    base = Path(environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    return base / "dumpload" / f"{group.name}-{digest.hexdigest()[:24]}"


def compile_group(group: Group, say: Callable[[str], None]) -> tuple[Callable[..., Any], ...]:
    """Return the called functions compiled; slow the first time on a computer, which is announced by `say`.

    What was kept and is damaged (after a power cut there may be an empty file), or finds the disk full, is compiled
    anew at the call that notices it, and not kept.
    """
    made = _make(group, say, keep=True)

    def recovering(place: int) -> Callable[..., Any]:
        def call(*arguments: Any) -> Any:
            nonlocal made
            try:
                return made[place](*arguments)
            except CACHE_ERRORS:
                made = _make(group, say, keep=False)
                return made[place](*arguments)

        return call

    return tuple(recovering(place) for place in range(len(group.called)))


def _make(group: Group, say: Callable[[str], None], *, keep: bool) -> tuple[Any, ...]:
    """Return the called functions compiled; calling them may raise one of `CACHE_ERRORS`."""
    folder = group_folder(group)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        is_kept = keep and os.access(folder, os.W_OK)
    except OSError:
        is_kept = False
    is_at_hand = (folder, is_kept) in _made or (is_kept and any(folder.rglob("*.nbi")))
    if not is_at_hand:
        kept = "" if is_kept else f"; it cannot be kept in {folder}"
        say(f"compiling {group.title} for this computer; this takes a while the first time{kept}")
    _made.add((folder, is_kept))
    return tuple(uninterrupted(run) for run in _compile(group, folder, is_kept))


def uninterrupted(run: Callable[..., Any]) -> Callable[..., Any]:
    """Return compiled code that an interrupt reaches only once it has returned.

    Its results are named tuples: numba looks up their class in Python code, and calls what it got. An interrupt raised
    within that left it a null pointer, and every second Ctrl-C ended in a segmentation fault.
    """

    def call(*arguments: Any) -> Any:
        before = signal.getsignal(signal.SIGINT)
        if threading.current_thread() is not threading.main_thread() or not callable(before):
            return run(*arguments)  # no handler runs here
        signals: list[int] = []

        def hold(number: int, frame: FrameType | None) -> None:
            if is_compiling(frame):
                before(number, frame)
            else:
                signals.append(number)

        signal.signal(signal.SIGINT, hold)
        try:
            return run(*arguments)
        finally:
            signal.signal(signal.SIGINT, before)
            if signals:
                signal.raise_signal(signal.SIGINT)

    return call


def is_compiling(frame: FrameType | None) -> bool:
    """Return whether numba is compiling there, which takes long and may be interrupted."""
    while frame is not None:
        if frame.f_code.co_name == "_compile_for_args":  # numba's dispatcher; without it Ctrl-C waits, no worse
            return True
        frame = frame.f_back
    return False


# The folders of what this process has compiled, and whether it is kept there: it is at hand without them, too.
_made: set[tuple[Path, bool]] = set()


@cache
def _compile(group: Group, folder: Path, is_kept: bool) -> tuple[Any, ...]:  # noqa: FBT001
    numba.config.CACHE_DIR = str(folder)  # type: ignore[attr-defined]
    jitted: dict[object, Any] = {}
    for module in group.modules:
        names = {name: jitted.get(thing, thing) if callable(thing) else thing for name, thing in vars(module).items()}
        for name, function in list(names.items()):
            if isinstance(function, FunctionType) and function.__module__ == module.__name__:
                # The very code of the function, with names that lead to compiled functions.
                own = FunctionType(function.__code__, names, name, function.__defaults__)
                # Inlined by force: left to itself numba copies the whole state at every call, at four times the cost.
                is_called = function in group.called
                inner = {} if is_called else {"no_cpython_wrapper": True, "forceinline": True}
                # Counting the references to a course's arrays took two thirds of a step. (An option that numba itself
                # uses and does not document.)
                counted = {} if group.allocates else {"_nrt": False}
                options: dict[str, Any] = {"cache": is_kept and is_called, "nogil": is_called, **inner, **counted}
                names[name] = jitted[function] = numba.njit(**options)(own)
    return tuple(jitted[function] for function in group.called)
