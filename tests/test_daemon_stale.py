"""Telemetry that stops, is old, or only looks new: off in time, and never a reason to switch on."""

import pytest
from daemons import MAX_AGE_S
from rig import Barge

pytest_plugins = ["daemon_fixtures"]
pytestmark = pytest.mark.broker

LATE_S = 2.0
"""Allowance for a loaded machine, on top of one tick of supervision."""


def test_case_01_off_when_the_source_falls_silent(barge: Barge, protocol: str) -> None:
    daemon = barge.started_on(mqtt__protocol=protocol)
    last_sent_at = barge.source.set(None)
    barge.expect("off", "data_lost")
    off = daemon.await_edge(on=False, after=last_sent_at)
    assert off.t - last_sent_at < MAX_AGE_S + LATE_S
    barge.await_status(relay="off", data="lost", state_of_charge=None)
    barge.comes_on(daemon)
