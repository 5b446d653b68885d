"""Hands updates to any number of viewers: no queue, since each asks for the changes since its last version."""

import asyncio
import contextlib
import json
from collections.abc import Mapping


class Hub:
    """The blocks of the live page, and the version at which each was last changed."""

    def __init__(self) -> None:
        self.version = 0
        self.closed = False
        self._blocks: dict[str, tuple[int, str]] = {}
        self._news: dict[int, bytes] = {}
        self._changed = asyncio.Event()

    def put(self, blocks: Mapping[str, str]) -> None:
        """Take the blocks as they are now, and wake the viewers if one has changed."""
        new = {name: html for name, html in blocks.items() if self._blocks.get(name, (0, None))[1] != html}
        if new:
            self.version += 1
            self._blocks.update({name: (self.version, html) for name, html in new.items()})
            self._wake()

    @property
    def blocks(self) -> dict[str, str]:
        """All blocks as they are."""
        return {name: html for name, (_version, html) in self._blocks.items()}

    def since(self, last: int) -> bytes:
        """Return a server-sent event (HTML standard, 9.2) with the blocks changed after the version `last`."""
        # Rendered once per version: one more viewer costs one more write.
        if last not in self._news:
            blocks = {name: html for name, (version, html) in self._blocks.items() if version > last}
            self._news[last] = b"data: " + json.dumps(blocks, ensure_ascii=False).encode() + b"\n\n"
        return self._news[last]

    async def wait(self, version: int, within_s: float) -> None:
        """Wait until something has changed after `version`, for at most `within_s`."""
        if self.version > version or self.closed:
            return
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(within_s):
                await self._changed.wait()

    def close(self) -> None:
        """Let all viewers go."""
        self.closed = True
        self._wake()

    def _wake(self) -> None:
        self._news.clear()
        self._changed.set()
        self._changed = asyncio.Event()
