"""The current state: takes each status and each silence, keeps the day's curves, and hands changes to the viewers.

A status costs one rendering, however many look at it.
"""

import asyncio
import math
import time
from collections.abc import Callable
from datetime import date, tzinfo

from dumpload.config.model import Settings
from dumpload.core.decode import parse_rfc3339
from dumpload.daemon.payloads import Document
from dumpload.report.local_time import local_date
from dumpload.web.hub import Hub
from dumpload.web.live import View, blocks_of, day_block
from dumpload.web.today import Today, day_of

# The day's picture is the largest block; a part of it is five minutes.
DRAW_EVERY_S = 15.0

# Reads a day from the history, on another thread; None: there is none.
Recorded = Callable[[date], Today | None]


class Current:
    """The state that is shown."""

    def __init__(
        self,
        settings: Settings,
        zone: tzinfo,
        hub: Hub,
        recorded: Recorded,
        say: Callable[[str], None],
        wall: Callable[[], float] = time.time,
    ) -> None:
        self.status: Document | None = None
        self.away_because = ""
        self._settings, self._zone, self._hub = settings, zone, hub
        self._recorded, self._say, self._wall = recorded, say, wall
        self._today: Today | None = None
        self._drawn_at = -math.inf
        self._filling: asyncio.Task[None] | None = None
        self._show()

    def heard(self, status: Document) -> None:
        """Take a status."""
        is_back = self.status is None or bool(self.away_because)
        if is_back:
            self._say("the daemon answers")
        self.status, self.away_because = status, ""
        day = day_of(status, self._zone)
        if self._today is None or self._today.date != day:
            self._today = Today(day, self._zone)
        self._today.take(status)
        if is_back:
            self._fill(day)
        self._show()

    def away(self, why: str) -> None:
        """Record that no daemon answers."""
        if why != self.away_because:
            self._say(why)
        if self._today is None:  # the history is there all the same
            self._today = Today(local_date(self._wall(), self._zone), self._zone)
            self._fill(self._today.date)
        self.away_because = why
        self._show()

    def _fill(self, day: date) -> None:
        """Have the history's part of the day added: what was before this program, or while it heard nothing."""
        if self._filling is None or self._filling.done():
            self._filling = asyncio.create_task(self._merge(day))

    async def _merge(self, day: date) -> None:
        recorded = await asyncio.to_thread(self._recorded, day)
        if recorded is not None and self._today is not None and self._today.date == recorded.date:
            self._today.merge(recorded)
            self._drawn_at = -math.inf
            self._show()

    def _show(self) -> None:
        blocks = blocks_of(View(self.status, self.away_because, self._settings.control))
        at = -math.inf if self.status is None else parse_rfc3339(self.status["at"])
        if not abs(at - self._drawn_at) < DRAW_EVERY_S:
            blocks["day"] = day_block(self._today, self._settings.control)
            self._drawn_at = at
        self._hub.put(blocks)
