"""The commands that talk to a running daemon: status and select, from a process of their own."""

import json
import subprocess
import sys
from subprocess import CompletedProcess

import pytest
from contract import STATUS
from daemons import TIMED, Daemon, pin_libraries, plain_environment, run_dumpload
from rig import FULL, Barge
from waiting import eventually

pytest_plugins = ["daemon_fixtures"]
pytestmark = pytest.mark.broker


def ask(daemon: Daemon, *words: str, timed: bool = False) -> CompletedProcess[str]:
    options = TIMED if timed else ()
    return run_dumpload(*words, "--config", str(daemon.config), folder=daemon.folder, options=options)


def test_case_53_status_and_select_import_no_pin_library(barge: Barge) -> None:
    daemon = barge.start()
    for words in (["status"], ["select", "auto"]):
        ended = ask(daemon, *words, timed=True)
        assert ended.returncode == 0
        assert pin_libraries(ended) == set()


def test_status_says_in_words_what_the_load_does_and_in_json_the_retained_document(barge: Barge) -> None:
    daemon = barge.started_on()
    said = ask(daemon, "status")
    assert (said.returncode, said.stderr) == (0, "")
    assert said.stdout.startswith("barge: heater ON since ")
    assert "(surplus)" in said.stdout
    assert "98 %" in said.stdout
    document = json.loads(ask(daemon, "status", "--json").stdout)
    assert (document["relay"], document["boot_id"]) == ("on", barge.status["boot_id"])


def test_status_says_what_was_rejected_and_why_and_which_signal_on_which_topic_is_missing(barge: Barge) -> None:
    daemon = barge.start()
    barge.client.publish("ninety")
    barge.client.publish(980)
    barge.await_status(rejected=2)
    said = ask(daemon, "status")
    assert said.returncode == 0
    shown = " ".join(said.stdout.split())
    assert "No valid state of charge yet (topic barge/bank/charge)." in shown
    assert "Rejected in the last 10 minutes: state of charge, once, at " in shown
    assert "980 in percent is outside 0 to 100 percent" in shown
    assert "the payload is 'ninety'" in shown
    barge.source.set(90)
    barge.await_status(cause="below_cut_in")
    document = json.loads(ask(daemon, "status", "--json").stdout)
    STATUS.validate(document)
    assert (document["name"], document["signals"]["state_of_charge"]["value"]) == ("barge", 90.0)
    assert {one["reason"] for one in document["rejections"]} == {"not_json", "out_of_range"}


def test_status_follows_the_changes_until_the_daemon_goes(barge: Barge) -> None:
    daemon = barge.start()
    command = [sys.executable, "-m", "dumpload", "status", "--follow", "--json", "--config", str(daemon.config)]
    shown = daemon.folder / "shown"
    with (
        shown.open("wb") as out,
        subprocess.Popen(command, stdout=out, stderr=subprocess.PIPE, env=plain_environment()) as follower,
    ):

        def rows() -> list[str]:
            return [json.loads(line)["relay"] for line in shown.read_text().split("\n")[:-1]]

        eventually(rows, "the first line")
        barge.source.set(FULL)
        eventually(lambda: rows()[-1] == "on", "the change to on")
        barge.source.set(40)
        eventually(lambda: rows()[-1] == "off", "the change to off")
        daemon.kill()
        assert follower.wait(20) == 1
        assert follower.stderr is not None
        assert b"its presence is down" in follower.stderr.read()


def test_select_moves_the_selector_and_waits_for_it(barge: Barge, protocol: str) -> None:
    daemon = barge.start(mqtt__protocol=protocol)
    barge.source.set(90)
    barge.await_status(cause="below_cut_in")
    by_hand = ask(daemon, "select", "hand", "--for", "10m", "--json")
    assert by_hand.returncode == 0
    assert json.loads(by_hand.stdout)["selector"] == "hand"
    barge.expect("on", "hand")
    assert ask(daemon, "select", "off").returncode == 0
    barge.expect("off", "selector_off")
    assert ask(daemon, "select", "auto").returncode == 0
    barge.await_status(selector="auto")


def test_select_says_why_it_was_refused(barge: Barge) -> None:
    daemon = barge.start()
    ended = ask(daemon, "select", "hand", "--for", "3h")
    assert (ended.returncode, ended.stdout) == (1, "")
    assert "is longer than the" in ended.stderr


def test_status_without_a_daemon_says_so(barge: Barge) -> None:
    alone = ask(barge.daemon(), "status")
    assert alone.returncode == 1
    assert 'No status from "barge" at the broker' in alone.stderr
