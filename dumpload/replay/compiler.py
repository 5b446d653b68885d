"""Compiles groups of our own functions with numba; its one home.

Nothing is stated twice: numba gets the very code of the functions, under names that lead to each other's compiled
forms. Uncompiled they are ordinary Python, which the compiled form must equal to the last bit. So they use no `**` on
floats (the C library's pow rounds otherwise than a product), and no keyword, generator, dict or None on their way.
"""

import hashlib
import os
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from types import FunctionType, ModuleType
from typing import Any

import numba
import numpy as np


def cache_folder(name: str, modules: Sequence[ModuleType], environ: Mapping[str, str] = os.environ) -> Path:
    """Return where compiled code is kept: a folder of its own for every state of the sources that it was made from.

    numba looks only at the file of the function that it caches. A law changed in another file would go on being served
    from the cache in its old form, and a replay would say what the daemon no longer does.
    """
    digest = hashlib.sha256(f"{sys.version} {numba.__version__} {np.__version__}".encode())
    for module in (*modules, sys.modules[__name__]):
        assert module.__file__ is not None  # noqa: S101  (a module of ours is a file)
        digest.update(Path(module.__file__).read_bytes())
    base = Path(environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    return base / "dumpload" / f"{name}-{digest.hexdigest()[:24]}"


def compile_group(
    entry: Callable[..., Any], name: str, modules: Sequence[ModuleType], words: str, say: Callable[[str], None]
) -> Callable[..., Any]:
    """Return `entry`, compiled with every function of `modules` (in the order in which they import each other).

    `name` begins the name of the cache's folder. The first time on a computer it takes a while, and `say` is told so;
    `words`: what is compiled.
    """
    folder = cache_folder(name, modules)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        is_kept = os.access(folder, os.W_OK)
    except OSError:
        is_kept = False
    if not (is_kept and any(folder.rglob("*.nbi"))):
        kept = "" if is_kept else f"; it cannot be kept, {folder} is not writable"
        say(f"compiling {words} for this computer, which takes a while the first time{kept}")
    numba.config.CACHE_DIR = str(folder)  # type: ignore[attr-defined]
    jitted: dict[object, Any] = {}
    for module in modules:
        names = {name: jitted.get(thing, thing) if callable(thing) else thing for name, thing in vars(module).items()}
        for name_of, function in list(names.items()):
            if isinstance(function, FunctionType) and function.__module__ == module.__name__:
                # The very code of the function, with names that lead to compiled functions.
                own = FunctionType(function.__code__, names, name_of, function.__defaults__)
                # Inlined by force: left to itself numba copies the whole state at every call, at four times the cost.
                inner = {} if function is entry else {"no_cpython_wrapper": True, "forceinline": True}
                options: dict[str, Any] = {"cache": is_kept and function is entry, **inner}
                names[name_of] = jitted[function] = numba.njit(**options)(own)
    run: Callable[..., Any] = jitted[entry]
    return run
