"""The socket of the machine itself: one line, one answer; bounded against whoever may connect."""

import asyncio
import json
import os
import socket
import stat
import tempfile
from collections.abc import Awaitable, Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from users import NOBODY, acting_as

from dumpload.daemon import local_socket
from dumpload.daemon.local_socket import (
    CONTROL,
    MAX_CLIENTS,
    MAX_LINE_BYTES,
    VIEW,
    Door,
    LocalSocket,
    LocalWay,
    connected,
    sockets,
)


async def echo(line: bytes) -> dict[str, Any]:
    return {"heard": line.decode("utf-8", "replace").strip()}


NAMED = {"config": "settings"}

Scene = Callable[[LocalSocket], Awaitable[None]]


@pytest.fixture
def play(tmp_path: Path) -> Callable[[Scene], None]:
    """Have a socket listen while a scene is played."""

    def run(scene: Scene) -> None:
        async def whole() -> None:
            one = LocalSocket(LocalWay(tmp_path, "settings"), CONTROL, echo)
            await one.open()
            try:
                async with asyncio.timeout(30):
                    await scene(one)
                    line = await connected(one.path)  # whatever happened: the next person is served
                    assert await line.ask({"still": "there"}, 10) == {**NAMED, "heard": '{"still": "there"}'}
                    line.close()
            finally:
                one.close()
            assert not one.path.exists()

        asyncio.run(whole())

    return run


Play = Callable[[Scene], None]


def test_a_line_is_answered_by_a_line_again_and_again(play: Play) -> None:
    async def scene(one: LocalSocket) -> None:
        line = await connected(one.path)
        for number in range(3):
            assert await line.ask({"number": number}, 10) == {**NAMED, "heard": f'{{"number": {number}}}'}
        line.close()

    play(scene)


@pytest.mark.parametrize("umask", [0o000, 0o077])
@pytest.mark.parametrize(("door", "mode"), [(CONTROL, 0o600), (VIEW, 0o660)])
def test_requests_are_for_the_owner_and_the_status_for_the_group_too_whatever_the_umask(
    tmp_path: Path, door: Door, mode: int, umask: int
) -> None:
    async def once() -> None:
        one = LocalSocket(LocalWay(tmp_path, "settings"), door, echo)
        await one.open()
        assert stat.S_IMODE(one.path.stat().st_mode) == mode
        assert [file.name for file in one.path.parent.iterdir()] == [door.name]
        one.close()

    before = os.umask(umask)
    try:
        asyncio.run(once())
    finally:
        os.umask(before)


async def until(probe: Callable[[], bool]) -> None:
    for _ in range(2000):
        if probe():
            return
        await asyncio.sleep(0.01)
    pytest.fail("waited in vain")


async def raw(one: LocalSocket) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    return await asyncio.open_unix_connection(one.path)


async def hears_the_end(reader: asyncio.StreamReader) -> None:
    with suppress(ConnectionError):
        assert await reader.read() == b""


@pytest.mark.parametrize("sent", [b"", b"half a li", b"x" * (2 * MAX_LINE_BYTES), b"\0\xff" * 40_000])
def test_whoever_sends_no_whole_line_is_let_go(play: Play, sent: bytes) -> None:
    async def scene(one: LocalSocket) -> None:
        reader, writer = await raw(one)
        writer.write(sent)
        writer.write_eof()
        await hears_the_end(reader)
        writer.close()

    play(scene)


def test_whoever_says_nothing_is_let_go(play: Play, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(local_socket, "SILENCE_S", 0.05)

    async def scene(one: LocalSocket) -> None:
        reader, writer = await raw(one)
        writer.write(b"half a li")
        await hears_the_end(reader)
        writer.close()

    play(scene)


def test_whoever_never_reads_is_let_go(play: Play, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(local_socket, "SILENCE_S", 0.05)
    monkeypatch.setattr(local_socket, "PAUSE_S", 0.0)

    async def large(_line: bytes) -> dict[str, Any]:
        return {"large": "x" * 1_000_000}

    async def scene(one: LocalSocket) -> None:
        one._answer = large
        deaf = socket.socket(socket.AF_UNIX)
        deaf.connect(str(one.path))
        deaf.sendall(b"{}\n" * 20)
        await until(lambda: bool(one._clients))
        await until(lambda: not one._clients)
        deaf.close()
        one._answer = echo

    play(scene)


def test_a_thousand_connections_are_at_most_eight_at_a_time(play: Play) -> None:
    async def scene(one: LocalSocket) -> None:
        opened = []
        most = 0
        for _ in range(1000):
            with suppress(OSError):
                opened.append(await raw(one))
            most = max(most, len(one._clients))
        await asyncio.sleep(0.05)
        assert most <= MAX_CLIENTS
        for _reader, writer in opened:
            writer.transport.abort()
        await until(lambda: not one._clients)

    play(scene)


# ---- its name ----


def opened(folder: Path) -> None:
    async def once() -> None:
        one = LocalSocket(LocalWay(folder, "settings"), CONTROL, echo)
        await one.open()
        one.close()

    asyncio.run(once())


def test_the_name_that_a_killed_daemon_left_is_taken_over(tmp_path: Path) -> None:
    left = socket.socket(socket.AF_UNIX)
    left.bind(str(tmp_path / "control.sock"))
    left.close()
    opened(tmp_path)


def test_the_name_of_a_daemon_that_listens_is_left_to_it(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as other:
        other.bind(str(tmp_path / "control.sock"))
        other.listen()
        with pytest.raises(OSError, match="another daemon listens"):
            opened(tmp_path)
        assert (tmp_path / "control.sock").exists()


@pytest.mark.parametrize("make", [Path.touch, Path.mkdir, os.mkfifo, lambda path: path.symlink_to("/dev/zero")])
def test_what_is_no_socket_is_left_alone(tmp_path: Path, make: Callable[[Path], object]) -> None:
    make(tmp_path / "control.sock")
    with pytest.raises(OSError, match="is not a socket"):
        opened(tmp_path)
    assert os.path.lexists(tmp_path / "control.sock")


def test_a_client_looks_in_its_own_runtime_folder_and_in_those_of_the_units(tmp_path: Path) -> None:
    for name in ("mine", "dumpload", "dumpload-heater", "other"):
        (tmp_path / name).mkdir()
        os.mknod(tmp_path / name / "control.sock", stat.S_IFSOCK)
    (tmp_path / "dumpload-boot-off").mkdir()
    mine = {"RUNTIME_DIRECTORY": f"{tmp_path}/mine:/run/second"}
    found = [path.parent.name for path in sockets(mine, CONTROL, run=tmp_path)]
    assert found == ["mine", "dumpload", "dumpload-heater"]
    assert len(sockets({}, CONTROL, run=tmp_path)) == 2


def test_whoever_looks_takes_the_door_for_it_and_that_of_requests_only_where_there_is_no_other(tmp_path: Path) -> None:
    """A daemon of before that door, or one that could not open it, still answers whoever may send requests."""
    for name, *doors in (("dumpload", CONTROL, VIEW), ("dumpload-older", CONTROL)):
        (tmp_path / name).mkdir()
        for door in doors:
            os.mknod(tmp_path / name / door.name, stat.S_IFSOCK)
    found = [path.relative_to(tmp_path).as_posix() for path in sockets({}, VIEW, CONTROL, run=tmp_path)]
    assert found == ["dumpload/status.sock", "dumpload-older/control.sock"]


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can be another user for a moment")
def test_a_folder_that_is_closed_to_this_user_is_not_taken_for_an_empty_one() -> None:
    """Its sockets were not found: "no daemon is running on this computer"."""
    with tempfile.TemporaryDirectory() as name:
        run = Path(name)
        run.chmod(0o755)
        (run / "dumpload").mkdir(mode=0o750)
        os.mknod(run / "dumpload" / "status.sock", stat.S_IFSOCK)
        with acting_as(NOBODY, NOBODY):
            assert sockets({}, VIEW, CONTROL, run=run) == [run / "dumpload" / "status.sock"]


@pytest.mark.parametrize("answer", [b"", b"no JSON\n", b"[1]\n", b"[" * 100_000 + b"\n", b"x" * 2_000_000])
def test_a_client_takes_no_answer_for_none(tmp_path: Path, answer: bytes) -> None:
    async def odd(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readline()
        writer.write(answer)
        with suppress(ConnectionError):
            await writer.drain()
        writer.close()

    async def scene() -> None:
        async with await asyncio.start_unix_server(odd, tmp_path / "control.sock"):
            line = await connected(tmp_path / "control.sock")
            with pytest.raises(ConnectionError):
                await line.ask({}, 10)
            line.close()

    asyncio.run(scene())


def test_what_is_sent_is_one_line(play: Play) -> None:
    async def scene(one: LocalSocket) -> None:
        line = await connected(one.path)
        answer = await line.ask({"text": "a\nb"}, 10)
        assert json.loads(answer["heard"]) == {"text": "a\nb"}
        line.close()

    play(scene)
