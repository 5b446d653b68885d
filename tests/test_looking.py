"""Those who may only look on: a status for a question, once it is kept, and nothing that could touch the control."""

import asyncio
from collections.abc import Callable
from typing import Any

import pytest

from dumpload.daemon.looking import looking_on, wants_status

QUESTION = b'{"status": true}\n'


def at_once(confirm: Callable[[str], None]) -> None:
    confirm("")


async def look(status: Callable[[], dict[str, Any]], *, ended: bool = False, line: bytes = QUESTION) -> dict[str, Any]:
    return await looking_on(at_once, lambda: ended, status)(line)


def test_the_question_is_answered_with_the_status_unless_the_service_is_stopping() -> None:
    assert asyncio.run(look(lambda: {"relay": "off"})) == {"status": {"relay": "off"}}
    assert asyncio.run(look(lambda: {"relay": "on"}, ended=True)) == {"refused": "the service is stopping"}


def test_an_error_in_the_status_is_an_answer_and_no_end_of_the_service() -> None:
    def broken() -> dict[str, Any]:
        return {"age_s": 1 / 0}

    assert asyncio.run(look(broken)) == {"refused": "the status cannot be made: ZeroDivisionError('division by zero')"}


def test_the_status_waits_for_the_disk_and_is_that_of_then() -> None:
    async def scene() -> dict[str, Any]:
        waiting: list[Callable[[str], None]] = []
        status = {"selector": "auto"}
        answer = asyncio.ensure_future(looking_on(waiting.append, lambda: False, lambda: dict(status))(QUESTION))
        await asyncio.sleep(0)  # it runs until it waits
        assert waiting
        assert not answer.done()
        status["selector"] = "off"
        waiting[0]("")
        waiting[0]("the disk is slow")  # said a second time: nothing happens
        return await answer

    assert asyncio.run(scene()) == {"status": {"selector": "off"}}


@pytest.mark.parametrize(
    "line", [b"", b"1", b"[", b"null", b'{"status": 1}', b'{"status": true, "reset": true}', b"\xff"]
)
def test_nothing_else_is_a_question(line: bytes) -> None:
    assert not wants_status(line)
    assert "refused" in asyncio.run(look(dict, line=line))
