"""Who may connect, and who may read: wrong passwords, access rules, certificates; and secrets that stay secret."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from brokers import HOST, Mosquitto, free_port, write_users
from certificates import CLIENT, SERVER, Authority
from daemons import CHARGE, CONFIRM_S, MAX_AGE_S, MIN_OFF_S
from rig import FULL, Barge, Client
from waiting import eventually, never

pytest_plugins = ["daemon_fixtures"]
pytestmark = [pytest.mark.broker, pytest.mark.mosquitto]

# Allowance for a loaded machine, on top of one tick of supervision.
LATE_S = 2.0

SECRET = "tide-table-7"  # noqa: S105  (of this test's own broker)
WRONG = "low-water-2"
READER = "user barge\ntopic read {topic}\ntopic readwrite dumpload/#\n"
OTHERS = "user gateway\ntopic readwrite #\n"


class Harbour:
    """A broker with users and access rules, and a barge on it."""

    def __init__(self, folder: Path, start: Callable[..., Mosquitto]) -> None:
        self.users, self.rules, self.password_file = folder / "users", folder / "rules", folder / "password"
        write_users(self.users, {"barge": SECRET, "gateway": "gateway"})
        self.allow(CHARGE)
        self.password_file.write_text(f"{SECRET}\n")
        self.password_file.chmod(0o600)
        self.broker = start(f"password_file {self.users}", f"acl_file {self.rules}")
        client = Client(self.broker.port, username="gateway", password="gateway")  # noqa: S106
        self.barge = Barge(folder, self.broker, client)
        self.login = {"mqtt__username": "barge", "mqtt__password_file": str(self.password_file)}

    def allow(self, topic: str) -> None:
        """Let the daemon read this topic."""
        self.rules.write_text(READER.format(topic=topic) + OTHERS)
        self.rules.chmod(0o600)


@pytest.fixture
def harbour(tmp_path: Path, mosquitto: Callable[..., Mosquitto]) -> Iterator[Harbour]:
    one = Harbour(tmp_path, mosquitto)
    yield one
    one.barge.close()


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_case_38_a_wrong_password_is_said_and_once_it_is_right_all_is_well(harbour: Harbour, protocol: str) -> None:
    barge = harbour.barge
    harbour.password_file.write_text(WRONG)
    barge.source.set(FULL)
    daemon = barge.daemon(**harbour.login, mqtt__protocol=protocol).start()
    daemon.await_log("broker_down", reason="mqtt.password_file")
    assert daemon.line == []
    harbour.password_file.write_text(f"{SECRET}\n")
    barge.expect("on", "surplus")
    assert barge.presence == "up"


def test_case_38_a_password_revoked_while_on_is_off_in_time_and_comes_back_with_the_right(harbour: Harbour) -> None:
    barge = harbour.barge
    daemon = barge.started_on(**harbour.login)
    write_users(harbour.users, {"barge": WRONG, "gateway": "gateway"})
    harbour.broker.restart()
    daemon.await_log("broker_down", reason="mqtt.password_file")
    eventually(lambda: not daemon.line[-1].on, "the load to be off")
    harbour.password_file.write_text(WRONG)
    eventually(lambda: daemon.line[-1].on, "the load to be on again")


def test_case_37_an_access_rule_that_hides_the_telemetry_never_starts_the_load(harbour: Harbour) -> None:
    """The broker grants the subscription all the same: only the silence tells."""
    barge = harbour.barge
    harbour.allow("somewhere/else")
    harbour.broker.read_again()
    daemon = barge.start(**harbour.login)
    barge.source.set(FULL)
    never(lambda: daemon.line, "the line moved", 2 * (CONFIRM_S + MIN_OFF_S))
    barge.await_status(cause="starting", data="none")
    harbour.allow(CHARGE)
    harbour.broker.read_again()
    barge.expect("on", "surplus")


def test_case_63_no_secret_in_arguments_environment_or_log(harbour: Harbour) -> None:
    barge = harbour.barge
    harbour.password_file.write_text(WRONG)
    daemon = barge.daemon(**harbour.login).start()
    daemon.await_log("broker_down", reason="mqtt.password_file")
    harbour.password_file.write_text(f"{SECRET}\n")
    daemon.await_log("broker_up")
    process = Path(f"/proc/{daemon.pid}")
    seen = (process / "cmdline").read_bytes() + (process / "environ").read_bytes()
    published = b"".join(one.payload for one in barge.client.heard)
    assert daemon.stop() == 0
    everything = [seen.decode(), published.decode(), daemon.raw_log]
    assert not [text for text in everything if SECRET in text or WRONG in text]


@pytest.fixture
def authority(tmp_path: Path) -> Authority:
    one = Authority(tmp_path)
    one.sign("broker", SERVER)
    one.sign("barge", CLIENT)
    return one


class Locked:
    """A broker that listens with TLS to who has a certificate, and in plain for the test's own client."""

    def __init__(self, folder: Path, start: Callable[..., Mosquitto], authority: Authority) -> None:
        port = free_port()
        files = [f"cafile {authority.pem('authority')}", f"certfile {authority.pem('broker')}"]
        lock = [*files, f"keyfile {authority.key('broker')}", "require_certificate true"]
        self.barge = Barge(folder, start(f"listener {port} {HOST}", *lock))
        self.keys: dict[str, object] = {
            "mqtt__host": "localhost",
            "mqtt__port": port,
            "mqtt__tls": True,
            "mqtt__ca_file": authority.pem("authority"),
            "mqtt__client_cert_file": authority.pem("barge"),
            "mqtt__client_key_file": authority.key("barge"),
        }


@pytest.fixture
def locked(tmp_path: Path, mosquitto: Callable[..., Mosquitto], authority: Authority) -> Iterator[Locked]:
    one = Locked(tmp_path, mosquitto, authority)
    yield one
    one.barge.close()


def test_tls_with_the_authority_and_our_own_certificate(locked: Locked) -> None:
    daemon = locked.barge.started_on(**locked.keys)
    last_sent_at = locked.barge.source.set(None)
    locked.barge.expect("off", "data_lost")
    assert daemon.await_edge(on=False, after=last_sent_at).t < last_sent_at + MAX_AGE_S + LATE_S


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ("no certificate of our own", "broker:"),
        ("an authority we do not trust", "certificate verify failed"),
        ("another host's certificate", "certificate verify failed"),
    ],
)
def test_tls_that_does_not_fit_is_no_connection(locked: Locked, authority: Authority, fault: str, words: str) -> None:
    barge, keys = locked.barge, dict(locked.keys)
    if fault == "no certificate of our own":
        keys |= {"mqtt__client_cert_file": None, "mqtt__client_key_file": None}
    elif fault == "an authority we do not trust":
        keys["mqtt__ca_file"] = Authority(authority.folder, "another").pem("another")
    else:
        authority.sign("broker", "subjectAltName=DNS:elsewhere\n")
        barge.broker.restart()
    barge.source.set(FULL)
    daemon = barge.daemon(**keys).start()
    daemon.await_log("broker_down", text=words)
    never(lambda: daemon.line or barge.presence, "it connected", 2 * (CONFIRM_S + MIN_OFF_S))
    assert daemon.stop() == 0


def test_an_access_rule_that_forbids_publishing_is_said_on_the_version_that_has_a_word_for_it(
    harbour: Harbour,
) -> None:
    """MQTT 5.0, section 3.4.2.1: the acknowledgement of a publication may say that it is not authorized (0x87)."""
    barge = harbour.barge
    harbour.rules.write_text(f"user barge\ntopic read {CHARGE}\n{OTHERS}")
    harbour.broker.read_again()
    barge.source.set(FULL)
    daemon = barge.daemon(**harbour.login, mqtt__protocol="5").start()
    fault = daemon.await_log("fault", part="broker")
    assert "it does not allow publishing to dumpload/barge/" in fault["text"]
    eventually(lambda: daemon.ons, "the load to be on all the same")
    harbour.allow(CHARGE)
    harbour.broker.read_again()
    daemon.await_log("fault", part="broker", text="recovered")
