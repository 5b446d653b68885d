"""The live page over the real daemon: what it shows, that it follows, and what it does when the daemon is away."""

import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from daemons import run_dumpload
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from rig import Barge
from serving import Page
from waiting import eventually

pytest_plugins = ["daemon_fixtures"]
pytestmark = pytest.mark.broker


@pytest.fixture
def page(barge: Barge, tmp_path: Path) -> Iterator[Page]:
    """A page over a daemon that can be switched on; both are up."""
    run = tmp_path / "run"
    run.mkdir()
    daemon = barge.daemon(history__path=str(tmp_path / "history.sqlite3"))
    daemon.environ = {"RUNTIME_DIRECTORY": str(run)}
    daemon.start()
    barge.await_presence("up")
    one = Page(daemon.config, run).start()
    eventually(lambda: one.ask("/healthz").status == 200, "the page to hear the daemon")
    yield one
    one.kill()


def test_it_shows_what_the_heater_does_and_follows_by_itself(barge: Barge, page: Page) -> None:
    shown = page.ask("/")
    assert shown.status == 200
    assert "The heater is <b>off</b>" in shown.text
    viewer = page.events()
    barge.source.set(98)
    blocks = viewer.until(state="The heater is <b>on</b>", figures="98.0&nbsp;%")
    assert "The state of charge reached the cut-in" in blocks["state"]
    assert "Next: off when the state of charge" in blocks["state"]
    barge.source.set(80)
    assert (
        "No surplus: the state of charge has not reached the cut-in"
        in viewer.until(state="The heater is <b>off</b>", figures="80.0&nbsp;%")["state"]
    )
    viewer.close()
    reloaded = page.ask("/").text
    assert "80.0&nbsp;%" in reloaded, "without script the page shows what is so when it is loaded"
    assert 'href="/">Refresh' in reloaded


def test_the_days_curve_grows_and_has_the_history_of_before(barge: Barge, page: Page) -> None:
    barge.source.set(98)
    barge.expect("on", "surplus")
    barge.daemons[0].stop()  # all that was seen is in the history now
    barge.source.set(None)
    other = Page(page.config, Path(page.environ["RUNTIME_DIRECTORY"]), name="other").start()
    barge.daemons[0].start()
    viewer = other.events()
    viewer.until(day="charge 98 to 98 %")
    viewer.close()
    other.kill()


def test_it_says_when_the_daemon_is_away_and_finds_it_again_by_itself(barge: Barge, page: Page) -> None:
    viewer = page.events()
    viewer.until(state="The heater is <b>off</b>")
    barge.daemons[0].stop()
    away = viewer.until(state="No answer from the daemon")
    assert "What the heater is doing now is not known here." in away["state"]
    assert "Last heard at" in away["state"]
    assert away["figures"] == "", "old values are not shown as if they were of now"
    assert page.ask("/healthz").status == 503
    assert "No answer from the daemon" in page.ask("/").text
    barge.daemons[0].start()
    viewer.until(state="The heater is <b>off</b>")
    assert page.ask("/healthz").text == "ok\n"
    viewer.close()


def test_a_collector_reads_the_same_metrics_as_from_the_command(barge: Barge, page: Page) -> None:
    """OpenMetrics 1.0, read by the parser of another project."""

    def families(text: str) -> dict[str, Any]:
        return {one.name: one for one in text_string_to_metric_families(text)}

    barge.source.set(96)
    viewer = page.events()
    viewer.until(figures="96.0&nbsp;%")
    answer = page.ask("/metrics")
    assert answer.headers["content-type"] == "application/openmetrics-text; version=1.0.0; charset=utf-8"
    found = families(answer.text)
    printed = run_dumpload("metrics", "--config", str(page.config), folder=page.config.parent, environ=page.environ)
    assert list(found) == list(families(printed.stdout))
    assert [sample.value for sample in found["dumpload_up"].samples] == [1]
    barge.daemons[0].stop()
    viewer.until(state="No answer from the daemon")
    assert [sample.value for sample in families(page.ask("/metrics").text)["dumpload_up"].samples] == [0]


def test_a_daemon_that_hangs_is_away_and_the_page_is_not(barge: Barge, page: Page) -> None:
    viewer = page.events()
    viewer.until(state="The heater is")
    barge.daemons[0].signal(signal.SIGSTOP)
    viewer.until(state="No answer from the daemon")
    barge.daemons[0].signal(signal.SIGCONT)
    viewer.until(state="The heater is")
    viewer.close()


def test_all_viewers_cost_the_daemon_one_connection_and_get_the_same(barge: Barge, page: Page) -> None:
    viewers = [page.events() for _ in range(30)]
    barge.source.set(97.5)
    shown = [one.until(figures="97.5&nbsp;%", state="The heater is <b>on</b>") for one in viewers]
    assert len({one["state"] for one in shown}) == 1
    sockets = Path(f"/proc/{page.pid}/net/unix").read_text()
    assert sockets.count("status.sock") <= 2, "one that listens, one connection of the page's"
    assert sockets.count("control.sock") <= 1, "nothing of the page's"
    for one in viewers:
        one.close()


def test_it_ends_in_good_order_with_viewers_looking(page: Page) -> None:
    viewer = page.events()
    viewer.until(state="The heater is")
    assert page.stop() == 0
    assert list(viewer) == [], "the stream was ended, not cut"
    assert "Traceback" not in page.log


def test_nobody_can_tell_the_daemon_anything_through_it(barge: Barge, page: Page) -> None:
    before = barge.ask()
    for method in ("POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "FOO"):
        answer = page.ask("/", method)
        assert (answer.status, answer.headers["allow"]) == (405, "GET, HEAD"), method
    page.ask("/?selector=hand&for_s=600")
    assert barge.status["selector"] == before["selector"] == "auto"
    assert barge.daemons[0].logged("request", text="local socket") == []
