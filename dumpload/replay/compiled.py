"""The core's own functions, compiled.

There is no second statement of the law here: the loops over arrays are compiled with the very functions of the core
(see `compiler`).
"""

import os
from collections.abc import Callable, Mapping
from pathlib import Path
from types import ModuleType
from typing import Any, NamedTuple

from dumpload.core import contact, controller, freshness, known, law, permissive, signals, state
from dumpload.replay import arrays, tally, totals
from dumpload.replay.arrays import play
from dumpload.replay.compiler import Group, compile_group, group_folder
from dumpload.replay.tally import count_rows

# In the order in which they import each other, each of them whole.
CORE: tuple[ModuleType, ...] = (freshness, signals, law, permissive, contact, state, known, controller)
COUNTING: tuple[ModuleType, ...] = (totals, tally, arrays)

LAW = Group("law", "the control law", (*CORE, *COUNTING), (play, count_rows))


class Compiled(NamedTuple):
    """`play` and `count_rows`, compiled."""

    play: Callable[..., Any]
    count_rows: Callable[..., Any]


def cache_folder(environ: Mapping[str, str] = os.environ) -> Path:
    """Return the cache folder of the compiled law."""
    return group_folder(LAW, environ)


def compiled(say: Callable[[str], None] = lambda _line: None) -> Compiled:
    """Return the compiled functions; see `compile_group`."""
    return Compiled(*compile_group(LAW, say))
