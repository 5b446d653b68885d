"""A person at the machine itself: status, select and reset over the local socket, whatever the broker does."""

import json
import os
import resource
import signal
import socket
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest
from alone import Alone
from daemons import run_dumpload
from users import STRANGER, VIEWERS, acting_as
from waiting import eventually

SLOW = """
import os, runpy, sys, time
fsync = os.fsync
def slow(descriptor):
    time.sleep(2.0)
    fsync(descriptor)
os.fsync = slow
sys.argv = sys.argv[1:]
sys.path.insert(0, os.path.dirname(sys.argv[0]))
runpy.run_path(sys.argv[0], run_name="__main__")
"""


@pytest.fixture
def alone(tmp_path: Path) -> Iterator[Alone]:
    one = Alone(tmp_path)
    yield one
    one.kill()


def test_status_select_and_reset_work_with_the_broker_down_and_requests_disabled(alone: Alone) -> None:
    alone.begun()
    said = alone.call("status", "--json")
    assert (said.returncode, said.stderr) == (0, "")
    assert json.loads(said.stdout)["selector"] == "auto"
    assert alone.call("select", "off", "--json").returncode == 0
    assert alone.kept["selector_off"] is True
    assert json.loads(alone.call("status", "--json").stdout)["selector"] == "off"
    assert alone.call("select", "auto").returncode == 0
    assert alone.kept["selector_off"] is False
    assert alone.call("select", "--reset").returncode == 0
    refused = alone.call("select", "hand", "--for", "3h")
    assert (refused.returncode, refused.stdout) == (1, "")
    assert refused.stderr == "Refused: 3 h is longer than the 2 h allowed (request.max_hand_s)\n"
    vetoed = alone.call("select", "hand")
    assert vetoed.stderr == "Refused: No valid state of charge since the start.\n"
    assert alone.stop() == 0
    assert list(alone.socket.parent.iterdir()) == []


def test_a_lockout_is_reset_over_the_socket(alone: Alone) -> None:
    (alone.folder / "state" / "kept.json").write_text('{"selector_off": false, "lockout": "contact_closed"}')
    alone.begun()
    assert json.loads(alone.call("status", "--json").stdout)["lockout"] == "contact_closed"
    assert alone.call("select", "--reset").returncode == 0
    assert json.loads(alone.call("status", "--json").stdout)["lockout"] is None
    assert alone.kept["lockout"] == "none"


# ---- looking on ----

ASKING = [
    '{"selector": "off"}',
    '{"selector": "hand", "for_s": 60}',
    '{"reset": true}',
    '{"status": true, "selector": "off"}',
    '[{"selector": "off"}]',
    '{"status": true}\r{"selector": "off"}',
    "garbage",
    "[" * 4000,
]


@pytest.mark.parametrize("text", ASKING)
def test_the_socket_of_those_who_look_on_answers_the_status_and_takes_no_request(alone: Alone, text: str) -> None:
    alone.begun()
    refused = alone.ask(f"{text}\n", alone.view)
    assert refused == {"config": str(alone.config), "refused": "only the status is answered here"}
    assert alone.ask('{"status": true}\n', alone.view)["status"]["selector"] == "auto"
    assert not [event for event in ("request", "request_idle", "request_refused", "failed") if alone.logged(event)]


def test_both_sockets_tell_the_same(alone: Alone) -> None:
    alone.begun()
    assert alone.ask('{"selector": "off"}\n')["status"]["selector"] == "off"
    told = [alone.ask('{"status": true}\n', door) for door in (alone.socket, alone.view)]
    assert told[0].keys() == told[1].keys()
    assert [one["status"]["selector"] for one in told] == ["off", "off"]


@pytest.mark.parametrize("spoilt", ["control.sock", "status.sock"])
def test_a_socket_that_cannot_be_opened_is_named_and_the_rest_goes_on(alone: Alone, spoilt: str) -> None:
    in_place = alone.socket.with_name(spoilt)
    in_place.mkdir()
    alone.start()
    other = alone.view if in_place == alone.socket else alone.socket
    eventually(lambda: alone.answers(other), "an answer on the other socket")
    [note] = alone.ask('{"status": true}\n', other)["status"]["notes"]
    assert note.endswith(f"{in_place} is not a socket")
    assert len(alone.logged("fault")) == 1
    assert json.loads(alone.call("status", "--json").stdout)["selector"] == "auto"
    assert alone.stop() == 0


def test_a_killed_daemon_leaves_nothing_in_the_way_of_the_next(alone: Alone) -> None:
    alone.begun()
    alone.kill()
    assert alone.view.exists()
    alone.begun()
    assert alone.answers(alone.view)
    assert alone.logged("fault") == []


def test_those_who_look_on_can_keep_nobody_from_the_control(alone: Alone) -> None:
    alone.begun()
    peers = [socket.socket(socket.AF_UNIX) for _ in range(50)]
    for peer in peers:
        with suppress(OSError):
            peer.connect(str(alone.view))
            peer.sendall(b"half a li")
    assert alone.ask('{"selector": "off"}\n')["status"]["selector"] == "off"
    for peer in peers:
        peer.close()
    eventually(lambda: alone.answers(alone.view), "an answer to the next who looks on")


def test_a_crowd_at_the_door_cannot_take_all_descriptors_and_end_the_control(alone: Alone) -> None:
    """A hundred were accepted at a time; with no descriptor left the event loop reports an error: the daemon ended."""
    alone.begun()
    resource.prlimit(alone.pid, resource.RLIMIT_NOFILE, (100, 100))
    alone.signal(signal.SIGSTOP)
    peers = [socket.socket(socket.AF_UNIX) for _ in range(110)]
    for peer in peers:
        peer.setblocking(False)
        with suppress(BlockingIOError):
            peer.connect(str(alone.view))
    alone.signal(signal.SIGCONT)
    assert "status" in alone.ask('{"status": true}\n')
    for peer in peers:
        peer.close()
    eventually(lambda: alone.answers(alone.view), "an answer to the next who looks on")
    assert alone.logged("failed") == []


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can be another user for a moment")
def test_the_group_may_look_on_the_owner_may_ask_and_nobody_else_either_nor_replace_a_socket() -> None:
    """The folder is as the service manager makes it: 0750, and its group that of the sockets in it."""
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o755)
        alone = Alone(Path(name))
        run = alone.folder / "run"
        os.chown(run, 0, VIEWERS)
        run.chmod(0o2750)
        try:
            alone.begun()
            eventually(lambda: alone.answers(alone.view), "an answer to those who look on")
            with acting_as(STRANGER, VIEWERS):
                assert "status" in alone.ask('{"status": true}\n', alone.view)
                with pytest.raises(PermissionError):
                    alone.ask('{"status": true}\n')
                for change in (alone.view.unlink, alone.socket.unlink, (run / "new").touch):
                    with pytest.raises(PermissionError):
                        change()
            with acting_as(STRANGER, STRANGER), pytest.raises(PermissionError):
                alone.ask('{"status": true}\n', alone.view)
        finally:
            alone.kill()


def test_each_settings_file_reaches_its_own_daemon(tmp_path: Path) -> None:
    both = [Alone(tmp_path, name, name=name) for name in ("heater", "watermaker")]
    try:
        for one in both:
            one.begun()
        assert both[0].call("select", "off").returncode == 0
        foreign = both[1].call("status", RUNTIME_DIRECTORY=f"{both[0].folder}/run")
        assert foreign.returncode == 1, "the other daemon's status is not ours"
        assert json.loads(both[1].call("status", "--json").stdout)["selector"] == "auto"
    finally:
        for one in both:
            one.kill()


def test_all_instances_of_the_computer_are_shown_without_their_settings(alone: Alone) -> None:
    nobody = alone.call("status", "--all")
    assert (nobody.returncode, nobody.stdout) == (1, "")
    assert nobody.stderr.startswith("No dumpload daemon is running on this computer")
    alone.begun()
    here = {"RUNTIME_DIRECTORY": f"{alone.folder}/run"}
    shown = run_dumpload("status", "--all", "--brief", folder=alone.folder, environ=here)
    assert (shown.returncode, shown.stderr) == (0, "")
    assert shown.stdout.startswith("barge: heater OFF since ")
    told = run_dumpload("status", "--all", "--json", folder=alone.folder, environ=here)
    [one] = json.loads(told.stdout)["instances"]
    assert (one["config"], one["status"]["name"]) == (str(alone.config), "barge")


# ---- wrong peers ----


@pytest.mark.parametrize(
    "sent", [b"\n", b"garbage\n", b"[1]\n", b"\xff\xfe\n", b"[" * 4000 + b"\n", b'{"status": 1}\n']
)
def test_what_is_no_request_is_refused_with_its_reason(alone: Alone, sent: bytes) -> None:
    alone.begun()
    assert alone.ask(sent)["refused"].startswith("malformed")
    assert "status" in alone.ask('{"status": true}\n')
    assert alone.logged("failed") == []


def test_hostile_peers_neither_stop_the_daemon_nor_keep_a_person_out_for_long(alone: Alone) -> None:
    alone.begun()
    descriptors = len(list(Path(f"/proc/{alone.pid}/fd").iterdir()))
    peers = []
    for number in range(1000):
        peer = socket.socket(socket.AF_UNIX)
        peer.settimeout(5)
        try:
            peer.connect(str(alone.socket))
            peer.sendall([b"half a li", b"x" * 9000, b"{}\n" * 100][number % 3])
        except OSError:
            peer.close()
            continue
        peers.append(peer)
    for peer in peers:
        peer.close()
    eventually(alone.answers, "an answer")
    eventually(
        lambda: len(list(Path(f"/proc/{alone.pid}/fd").iterdir())) <= descriptors + 1, "the sockets to be closed"
    )
    assert alone.memory_kib("VmRSS") < 128 * 1024
    assert alone.logged("failed") == []


@pytest.mark.slow
def test_a_flood_of_requests_is_a_few_rows_and_lines(tmp_path: Path) -> None:
    """3 s of requests made 152 MB of log."""
    alone = Alone(tmp_path, **{"history.path": str(tmp_path / "history.sqlite3")})
    try:
        alone.begun()
        began = time.monotonic()

        def flood() -> None:
            with socket.socket(socket.AF_UNIX) as line:
                line.connect(str(alone.socket))
                while time.monotonic() < began + 3:
                    line.sendall(b'{"selector": "off"}\n{"selector": "auto"}\n' * 20)
                    time.sleep(0.005)

        floods = [threading.Thread(target=flood) for _ in range(4)]
        for one in floods:
            one.start()
        for one in floods:
            one.join()
        took_s = time.monotonic() - began
        assert len(alone.logged("request")) <= took_s + 2
        assert len(alone.raw_log) < 20_000
        alone.stop()
    finally:
        alone.kill()


# ---- durable before it is confirmed ----


@pytest.mark.slow
def test_a_confirmed_off_outlives_a_kill_and_a_stop_on_a_slow_disk(tmp_path: Path) -> None:
    """It was lost in two of two: the status said off, it was stopped while an fsync took 2 s, and auto was back."""
    alone = Alone(tmp_path)
    try:
        alone.before = ["-c", SLOW]
        alone.begun()
        began = time.monotonic()
        answer = alone.ask('{"selector": "off"}\n')
        assert answer["status"]["selector"] == "off"
        assert alone.kept["selector_off"] is True
        assert time.monotonic() - began > 2.0, "the disk was not slow: this shows nothing"
        alone.kill()
        alone.begun()
        assert alone.ask('{"status": true}\n')["status"]["selector"] == "off"
        with socket.socket(socket.AF_UNIX) as line:
            line.connect(str(alone.socket))
            line.sendall(b'{"selector": "auto"}\n')
            alone.await_log("request", text="selector auto")
            assert alone.stop() == 0  # unconfirmed still; the stop waits for it
        assert alone.kept["selector_off"] is False
    finally:
        alone.kill()


@pytest.mark.parametrize("spoil", ["nested", "pipe", "huge", "folder"])
def test_whatever_lies_in_place_of_what_is_kept_the_daemon_starts_in_off(alone: Alone, spoil: str) -> None:
    kept = alone.folder / "state" / "kept.json"
    if spoil == "nested":
        kept.write_text("[" * 100_000)
    elif spoil == "pipe":
        os.mkfifo(kept)
    elif spoil == "huge":
        kept.touch()
        os.truncate(kept, 10**10)
    else:
        kept.mkdir()
    alone.begun()
    status = alone.ask('{"status": true}\n')["status"]
    assert status["selector"] == "off"
    assert "cannot be read" in status["notes"][0]
    assert alone.logged("fault", part="state")
    mended = alone.call("select", "auto", "--json")
    assert json.loads(mended.stdout)["selector"] == "auto"
    eventually(lambda: not alone.ask('{"status": true}\n')["status"]["notes"], "all to be well")
    assert alone.stop() == 0
    alone.begun()
    assert alone.ask('{"status": true}\n')["status"]["selector"] == "auto"
