"""The law at its second speed: the core's own functions, compiled.

There is no second statement of the law here. `compiled` takes the very functions of the core, gives numba copies of
them that call each other's compiled forms, and compiles the loops over arrays that call them.
"""

import hashlib
import os
import sys
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path
from pickle import UnpicklingError
from types import FunctionType, ModuleType
from typing import Any, NamedTuple

import numba
import numpy as np

from dumpload.core import contact, controller, freshness, known, law, permissive, signals, state
from dumpload.replay import arrays, tally, totals
from dumpload.replay.arrays import play
from dumpload.replay.tally import count_rows

# In the order in which they import each other, each of them whole.
CORE: tuple[ModuleType, ...] = (freshness, signals, law, permissive, contact, state, known, controller)
COUNTING: tuple[ModuleType, ...] = (totals, tally, arrays)

# What the standard library says that unpickling may raise, and what a full disk does.
CACHE_ERRORS = (UnpicklingError, AttributeError, EOFError, ImportError, IndexError, OSError)


def cache_folder(environ: Mapping[str, str] = os.environ) -> Path:
    """Return where compiled code is kept: a folder of its own for every state of the sources that it was made from.

    numba looks only at the file of the function that it caches. A law changed in another file would go on being served
    from the cache in its old form, and a replay would say what the daemon no longer does.
    """
    digest = hashlib.sha256(f"{sys.version} {numba.__version__} {np.__version__}".encode())
    for module in (*CORE, *COUNTING, sys.modules[__name__]):
        assert module.__file__ is not None  # noqa: S101  (a module of ours is a file)
        digest.update(Path(module.__file__).read_bytes())
    base = Path(environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    return base / "dumpload" / f"law-{digest.hexdigest()[:24]}"


class Compiled(NamedTuple):
    """`play` and `count_rows`, compiled."""

    play: Callable[..., Any]
    count_rows: Callable[..., Any]


def compiled(say: Callable[[str], None] = lambda _words: None, *, keep: bool = True) -> Compiled:
    """Return what is compiled; the first time on a computer that takes a while, and `say` is told.

    Where it was kept and is damaged, or the disk is full, calling it raises one of `CACHE_ERRORS`: try without `keep`.
    """
    folder = cache_folder()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        is_kept = keep and os.access(folder, os.W_OK)
    except OSError:
        is_kept = False
    misses = _compile.cache_info().misses
    functions = _compile(folder, is_kept)  # which are compiled as they are called
    is_at_hand = _compile.cache_info().misses == misses or (is_kept and any(folder.rglob("*.nbi")))
    if not is_at_hand:
        kept = "" if is_kept else f"; it cannot be kept in {folder}"
        say(f"compiling the control law for this computer, which takes a while the first time{kept}")
    return functions


@cache
def _compile(folder: Path, is_kept: bool) -> Compiled:  # noqa: FBT001
    numba.config.CACHE_DIR = str(folder)  # type: ignore[attr-defined]
    jitted: dict[object, Any] = {}
    for module in (*CORE, *COUNTING):
        names = {name: jitted.get(thing, thing) if callable(thing) else thing for name, thing in vars(module).items()}
        for name, function in list(names.items()):
            if isinstance(function, FunctionType) and function.__module__ == module.__name__:
                # The very code of the function, with names that lead to compiled functions.
                own = FunctionType(function.__code__, names, name, function.__defaults__)
                # Inlined by force: left to itself numba copies the whole state at every call, at four times the cost.
                is_called = function in (play, count_rows)
                inner = {} if is_called else {"no_cpython_wrapper": True, "forceinline": True}
                options: dict[str, Any] = {"cache": is_kept and is_called, **inner}
                names[name] = jitted[function] = numba.njit(**options)(own)
    return Compiled(jitted[play], jitted[count_rows])
