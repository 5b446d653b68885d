"""What people ask of the running daemon, over MQTT or the machine's own socket: judged, limited, obeyed, answered.

At most one request a second is acted on and the newest wins. What is already so changes nothing. An answer is given
when the disk has what must outlive a restart, not before. Nothing is decided here: hand never defeats a veto, and the
controller says which.
"""

import asyncio
from collections.abc import Callable
from typing import Any, NamedTuple

from dumpload.core.controller import Event, Kind, Lockout
from dumpload.core.explain import MEANINGS, cause_name
from dumpload.core.freshness import MISSING
from dumpload.core.law import Cause, Selector
from dumpload.core.request import Refusal, Request, Terms, read_request
from dumpload.core.topics import InboundMessage
from dumpload.daemon.logs import RateLimiter
from dumpload.daemon.looking import STOPPING, looking_on, wants_status
from dumpload.daemon.loop import ControlLoop
from dumpload.daemon.payloads import Document
from dumpload.daemon.publisher import Publisher

# A person asks once; a script in a loop asks as fast as the broker takes it. A flood of requests made 152 MB of log in
# 3 s.
ACT_EVERY_S = 1.0

# Characters of a request that are shown.
SHOWN_CHARACTERS = 80

Answer = Callable[[Document], None]


class Asked(NamedTuple):
    """A valid request: what is asked, since when it counts (monotonic s), over which way it came, whom to answer."""

    request: Request
    t: float
    way: str
    answer: Answer


class Requests:
    """Handles requests for one control loop."""

    def __init__(
        self,
        control: ControlLoop,
        publisher: Publisher,
        log: Any,
        *,
        clock: Callable[[], float],
        wall: Callable[[], float],
        max_hand_s: float,
    ) -> None:
        """`max_hand_s` may be set anew: the longest that hand may be asked for."""
        self._control, self._publisher, self._log = control, publisher, log
        self._clock, self._wall = clock, wall
        self.max_hand_s = max_hand_s
        self._acts_next_at = self._clock()
        self._pending: Asked | None = None
        self._repeats = RateLimiter()
        self.look = looking_on(control.when_kept, lambda: control.ended, self._status)

    def hear(self, arrival: InboundMessage) -> None:
        """Handle a request from MQTT, and answer it there."""
        if arrival.retained and not arrival.payload:
            return  # a retained request is being cleared

        def answer(document: Document) -> None:
            if "refused" in document:
                self._publisher.refused(document["refused"], arrival.payload)
            if document.get("unchanged"):
                # Whoever asked is waiting; a flood of them is answered once a tick.
                self._publisher.status_soon()
            elif "status" in document:
                self._control.show()

        self.take(arrival.payload, retained=arrival.retained, way="MQTT", answer=answer)

    async def answer(self, line: bytes) -> Document:
        """Answer a line from the local socket, once its request is on disk."""
        answered: asyncio.Future[Document] = asyncio.get_running_loop().create_future()

        def answer(document: Document) -> None:
            if not answered.done():
                answered.set_result(document)

        if self._control.ended:
            answer(STOPPING)
        elif wants_status(line):
            return await self.look(line)
        else:
            self.take(line, retained=False, way="the local socket", answer=answer)
        return await answered

    def take(self, payload: bytes, *, retained: bool, way: str, answer: Answer) -> None:
        """Validate a request and apply it, now or when the rate limit allows.

        `answer` is called once, perhaps later: with what refuses it, or the status that it led to, `unchanged` or not.
        """
        terms = Terms(self._wall(), self._publisher.boot_id, self.max_hand_s)
        request = read_request(payload, retained=retained, terms=terms)
        if isinstance(request, Refusal):
            answer({"refused": request.reason})
            return
        self._supersede()
        pending = Asked(request, self._clock(), way, answer)
        if self._changes_nothing(pending) or self._acts_next_at <= self._clock():
            self._act(pending)
            return
        self._pending = pending
        asyncio.get_running_loop().call_later(self._acts_next_at - self._clock(), self._act_on_pending)

    def _supersede(self) -> None:
        pending, self._pending = self._pending, None
        if pending is not None:
            self._say("superseded", "requests superseded by a newer one within a second")
            pending.answer({"refused": "superseded by a newer request"})

    def _act_on_pending(self) -> None:
        if self._pending is not None and self._acts_next_at <= self._clock():
            pending, self._pending = self._pending, None
            if self._control.ended:
                pending.answer(STOPPING)
            else:
                self._act(pending)

    def _changes_nothing(self, pending: Asked) -> bool:
        state, request = self._control.state, pending.request
        is_there = request.selector in (None, state.selector) and request.selector != Selector.HAND
        return is_there and not (request.reset and state.lockout != Lockout.NONE)

    def _act(self, pending: Asked) -> None:
        if self._changes_nothing(pending):
            self._say("unchanged", f"request over {pending.way} changes nothing")
            self._control.when_kept(lambda trouble: self._confirm(pending, trouble, unchanged=True))
        else:
            self._acts_next_at = self._clock() + ACT_EVERY_S
            veto = self._apply(pending)
            if veto != Cause.NONE:
                pending.answer({"refused": f"{cause_name(veto)}: {MEANINGS[veto]}", "status": self._status()})
                return
            text = f"request over {pending.way}: {_words(pending.request)}"
            self._log.info("request", text=text[:SHOWN_CHARACTERS])
            self._control.when_kept(lambda trouble: self._confirm(pending, trouble, unchanged=False))

    def _confirm(self, pending: Asked, trouble: str, *, unchanged: bool) -> None:
        pending.answer({"status": self._status(), "unchanged": unchanged, **({"trouble": trouble} if trouble else {})})

    def _apply(self, pending: Asked) -> Cause:
        """Apply a request; return the veto that refused hand, or NONE."""
        request = pending.request
        # A reset comes last, so that reset with off does not switch on in between; but before hand, which a lockout
        # would refuse.
        kinds = [Kind.SELECT] if request.selector is not None else []
        if request.reset:
            kinds.insert(0 if request.selector == Selector.HAND else len(kinds), Kind.RESET)
        veto = Cause.NONE
        for kind in kinds:
            event = Event(self._clock(), self._wall(), kind)
            if kind == Kind.SELECT and request.selector is not None:
                until = pending.t + request.for_s if request.selector == Selector.HAND else MISSING
                event = event._replace(selector=request.selector, until=until)
            decision = self._control.dispatch(event)
            veto = veto if decision is None else max(veto, decision.refused)
        return veto

    def _status(self) -> Document:
        return self._publisher.status_now(self._control.settings, self._control.state)

    def _say(self, kind: str, text: str) -> None:
        if (left_out := self._repeats.allow(kind, self._clock())) is not None:
            more = f" ({left_out} more like this since)" if left_out else ""
            self._log.info("request_idle", text=f"{text}{more}")


def _words(request: Request) -> str:
    """Describe a request in our own words: nothing received gets into the log."""
    selector = "" if request.selector is None else f"selector {request.selector.name.lower()}"
    for_s = f"for {request.for_s:g} s" if request.selector == Selector.HAND else ""
    return " ".join(filter(None, (selector, for_s, "reset" if request.reset else "")))
