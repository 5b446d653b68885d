"""A live page that other computers reach: only with a password and TLS; and who may try how often."""

import base64
import re
import ssl
import stat
import subprocess
import sys
from collections.abc import Iterator
from hashlib import scrypt
from pathlib import Path
from typing import Any

import pytest
from brokers import HOST
from certificates import SERVER, Authority
from daemons import plain_environment, run_dumpload
from judged import complaints
from serving import Page, write_plain_settings
from waiting import PATIENCE_S

from dumpload.web.passwords import (
    ALL_TRIES,
    TRIES,
    Doorkeeper,
    Hash,
    PasswordFileError,
    Tries,
    credentials_of,
    hashed,
    read_passwords,
)

PHRASE = "a long way to the lock"


def run_password(folder: Path, *words: str, text: str = PHRASE) -> "subprocess.CompletedProcess[str]":
    command = [sys.executable, "-m", "dumpload", "password", *words]
    return subprocess.run(
        command, cwd=folder, env=plain_environment(), input=f"{text}\n", capture_output=True, text=True, check=False
    )


def basic(name: str, password: str) -> dict[str, str]:
    return {"Authorization": "Basic " + base64.b64encode(f"{name}:{password}".encode()).decode()}


# ---- settings ----


@pytest.mark.parametrize("listen", ["0.0.0.0:8443", "192.0.2.7:8080", "[::]:8080", "[2001:db8::1]:80"])
def test_any_address_but_a_loopback_one_demands_password_and_tls(listen: str) -> None:
    [line] = complaints({"web.listen": listen})
    assert line.startswith(f'web.listen = "{listen}": expected 127.0.0.1 or [::1], or web.password_file and')
    files = {f"web.{name}": f"/barge/{name}" for name in ("password_file", "cert_file", "key_file")}
    assert complaints({"web.listen": listen, **files}) == []
    for missing in files:
        some = {key: value for key, value in files.items() if key != missing}
        assert any(missing in line for line in complaints({"web.listen": listen, **some}))


@pytest.mark.parametrize("listen", ["127.0.0.1:8080", "127.8.9.1:1", "[::1]:65535", "localhost:80"])
def test_this_computer_alone_needs_neither(listen: str) -> None:
    assert complaints({"web.listen": listen}) == []


@pytest.mark.parametrize(
    "listen",
    ["8080", ":8080", "127.0.0.1", "127.0.0.1:0", "127.0.0.1:65536", "::1:8080", "example.org:80", "256.0.0.1:80",
     "http://127.0.0.1:80", "127.0.0.1:80/"],
)  # fmt: skip
def test_what_is_no_address_with_a_port_is_refused(listen: str) -> None:
    assert any("expected ADDRESS:PORT" in line for line in complaints({"web.listen": listen}))


# ---- the password file ----


def test_the_hash_is_scrypt_as_others_reckon_it(tmp_path: Path) -> None:
    """The library is OpenSSL's; the format that of the PHC strings: $scrypt$ln=,r=,p=$salt$hash."""
    assert run_password(tmp_path, "who").returncode == 0
    file = tmp_path / "who"
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    text = file.read_text()
    assert PHRASE not in text
    match = re.fullmatch(r"owner:\$scrypt\$ln=14,r=8,p=5\$([A-Za-z0-9+/]{22})\$([A-Za-z0-9+/]{43})\n", text)
    assert match
    salt, digest = (base64.b64decode(part + "=" * (-len(part) % 4)) for part in match.groups())
    assert scrypt(PHRASE.encode(), salt=salt, n=2**14, r=8, p=5, maxmem=2**26, dklen=32) == digest


def test_rfc_7914_is_kept() -> None:
    """RFC 7914, section 12, third vector, to its first 32 octets."""
    digest = bytes.fromhex("7023bdcb3afd7348461c06cd81fd38eb fda8fbba904f8e3ea9b543f6545da1f2")
    assert Hash(14, 8, 1, b"SodiumChloride", digest).fits(b"pleaseletmein")
    assert not Hash(14, 8, 1, b"SodiumChloride", digest).fits(b"pleaseletmeout")


def test_a_second_name_is_added_and_the_same_one_replaced(tmp_path: Path) -> None:
    for name, text in (("owner", PHRASE), ("crew", "another long one"), ("owner", "a new long one")):
        assert run_password(tmp_path, "who", "--name", name, text=text).returncode == 0
    people = read_passwords(tmp_path / "who")
    assert set(people) == {"owner", "crew"}
    assert people["owner"].fits(b"a new long one")
    assert people["crew"].fits(b"another long one")


@pytest.mark.parametrize(
    ("words", "text", "complaint"),
    [
        (["who"], "short", "expected a password of at least 12 characters, the same one twice"),
        (["who"], "", "expected a password of at least 12 characters"),
        (["who", "--name", "a:b"], PHRASE, "--name: expected 1 to 64 letters, digits"),
        (["dumpload.toml"], PHRASE, "dumpload.toml, line 1: expected a line written by `dumpload password`"),
        (["."], PHRASE, "expected a password file written by `dumpload password`"),
    ],
)
def test_what_cannot_be_a_password_or_its_file_is_refused(
    tmp_path: Path, words: list[str], text: str, complaint: str
) -> None:
    write_plain_settings(tmp_path)
    before = {path: path.read_bytes() for path in tmp_path.iterdir()}
    done = run_password(tmp_path, *words, text=text)
    assert done.returncode == 2
    assert complaint in done.stderr
    assert PHRASE not in done.stderr
    assert {path: path.read_bytes() for path in tmp_path.iterdir()} == before


@pytest.mark.parametrize(
    "line",
    ["", "owner", "owner:secret", "owner:$scrypt$ln=14,r=8,p=5$c2FsdA$aGFzaA",
     f"owner:$scrypt$ln=40,r=8,p=5${22 * 'A'}${43 * 'A'}", f"owner:$scrypt$ln=14,r=8,p=99${22 * 'A'}${43 * 'A'}",
     "a b:$scrypt$ln=14,r=8,p=5$AAAA$AAAA"],
)  # fmt: skip
def test_a_file_with_another_line_is_refused_and_the_line_not_shown(tmp_path: Path, line: str) -> None:
    (tmp_path / "who").write_text(f"{line}\n")
    with pytest.raises(PasswordFileError, match="expected") as caught:
        read_passwords(tmp_path / "who")
    assert "secret" not in str(caught.value)


# ---- who may look, and how often one may try ----


@pytest.fixture(scope="module")
def doorkeeper() -> Doorkeeper:
    return Doorkeeper({"owner": hashed(PHRASE.encode())})  # slow on purpose, so it is done once


@pytest.mark.parametrize(
    "header",
    [
        "",
        "Basic",
        "Basic ",
        "Basic !",
        "Bearer abc",
        "Basic b3duZXI",
        "Digest x",
        "Basic " + "A" * 4000,
        "Basic \udcff",
    ],
)
def test_what_is_no_name_with_a_password_is_nobody(doorkeeper: Doorkeeper, header: str) -> None:
    assert credentials_of(header) is None
    assert not doorkeeper.check(header)


def test_a_password_may_have_any_character() -> None:
    """RFC 7617, section 2: what is after the first colon; and 2.1: UTF-8."""
    text = "wäter: £ and ☀ :"
    doorkeeper = Doorkeeper({"owner": hashed(text.encode())})
    [header] = basic("owner", text).values()
    assert not doorkeeper.knows(header)
    assert doorkeeper.check(header)
    assert doorkeeper.knows(header), "the second time costs nothing"
    assert not doorkeeper.knows(header + "=")


def test_tries_are_bounded_by_address_and_in_all_and_come_back() -> None:
    tries = Tries()
    assert [tries.allow("a", 0.0) for _ in range(TRIES + 2)] == [True] * TRIES + [False] * 2
    assert tries.allow("b", 0.0), "one address does not lock another out"
    assert tries.allow("a", 30.0)
    tries.give_back("a")
    assert tries.allow("a", 30.0)
    assert not tries.allow("a", 30.0)
    crowd = Tries()
    assert sum(crowd.allow(f"{number}", 0.0) for number in range(1000)) == ALL_TRIES


# ---- the real page with both ----


@pytest.fixture(scope="module")
def open_page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    folder = tmp_path_factory.mktemp("open")
    authority = Authority(folder)
    authority.sign("server", SERVER)
    assert run_password(folder, "who").returncode == 0
    files = {"web.password_file": "who", "web.cert_file": "server.pem", "web.key_file": "server.key"}
    one = Page(write_plain_settings(folder, **files), folder)
    one.context = ssl.create_default_context(cafile=authority.pem("authority"))
    one.start("0.0.0.0")
    yield one
    one.kill()


def test_without_the_password_there_is_nothing(open_page: Page) -> None:
    for path in ("/", "/live.js", "/events", "/healthz", "/report/7d", "/nowhere"):
        answer = open_page.ask(path)
        assert answer.status == 401, path
        assert answer.headers["www-authenticate"] == 'Basic realm="dumpload", charset="UTF-8"'
        assert "frame-ancestors 'none'" in answer.headers["content-security-policy"]


def test_with_it_everything_is_there_over_tls(open_page: Page) -> None:
    who = basic("owner", PHRASE)
    assert "No answer from the daemon" in open_page.ask("/", headers=who).text
    viewer = open_page.events(who)
    viewer.until(state="No answer from the daemon")
    viewer.close()


def test_without_tls_there_is_nothing_and_old_versions_are_refused(open_page: Page) -> None:
    assert b"heater" not in open_page.raw(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
    old = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    old.check_hostname, old.verify_mode = False, ssl.CERT_NONE
    with pytest.warns(DeprecationWarning, match="TLSv1_1"):
        old.maximum_version = ssl.TLSVersion.TLSv1_1
    plain, open_page.context = open_page.context, old
    try:
        with pytest.raises(ssl.SSLError):
            open_page.ask("/")
    finally:
        open_page.context = plain


def test_guessing_is_slowed_down_and_the_owner_still_gets_in(open_page: Page) -> None:
    who = basic("owner", PHRASE)
    assert open_page.ask("/", headers=who).status == 200
    answers = [open_page.ask("/", headers=basic("owner", f"guess number {number}")) for number in range(TRIES + 3)]
    assert [one.status for one in answers[:2]] == [401, 401]
    assert answers[-1].status == 429
    assert answers[-1].headers["retry-after"] == "20"
    assert open_page.ask("/", headers=who).status == 200, "who was let in before is known"
    assert "wrong password from 127.0.0.1" in open_page.log
    assert PHRASE not in open_page.log
    assert "guess" not in open_page.log


# ---- what is wrong with the files, and the missing extra ----


def run_serve(config: Path, *options: str) -> "subprocess.CompletedProcess[str]":
    return run_dumpload("serve", "--config", str(config), *options, folder=config.parent)


@pytest.mark.parametrize(
    ("files", "complaint"),
    [
        (
            {"web.password_file": "nowhere"},
            "web.password_file: .*nowhere: expected a password file written by `dumpload password`: No such",
        ),
        ({"web.password_file": "junk"}, "web.password_file: .*junk, line 1: expected a line written by"),
        ({"web.cert_file": "junk", "web.key_file": "junk"}, "expected a certificate and its key \\(PEM\\)"),
        ({"web.cert_file": "no", "web.key_file": "no"}, "expected a certificate and its key \\(PEM\\): No such file"),
        ({"web.cert_file": "junk"}, "web.cert_file = .*: expected web.key_file to be set as well"),
    ],
)
def test_a_file_that_cannot_be_used_is_named_in_one_line(tmp_path: Path, files: dict[str, Any], complaint: str) -> None:
    (tmp_path / "junk").write_text("junk\n")
    (tmp_path / "junk").chmod(0o600)
    done = run_serve(write_plain_settings(tmp_path, **files))
    assert (done.returncode, len(done.stderr.splitlines())) == (2, 1)
    assert re.search(complaint, done.stderr), done.stderr


def test_a_password_file_that_others_can_read_is_refused(tmp_path: Path) -> None:
    assert run_password(tmp_path, "who").returncode == 0
    (tmp_path / "who").chmod(0o644)
    done = run_serve(write_plain_settings(tmp_path, **{"web.password_file": "who"}))
    assert done.returncode == 2
    assert "web.password_file" in done.stderr
    assert "expected a file that only its owner may read: chmod 600" in done.stderr


def test_a_port_that_is_taken_is_named(tmp_path: Path) -> None:
    import socket

    with socket.create_server((HOST, 0)) as taken:
        port = taken.getsockname()[1]
        done = run_serve(write_plain_settings(tmp_path), "--listen", f"{HOST}:{port}")
    assert (done.returncode, done.stderr) == (
        2,
        f"web.listen = {HOST}:{port}: cannot listen there: Address already in use\n",
    )


@pytest.mark.parametrize("missing", ["starlette", "uvicorn"])
def test_without_the_extra_it_says_what_to_install(tmp_path: Path, missing: str) -> None:
    hidden = f"import sys; sys.modules[{missing!r}] = None; sys.argv = ['dumpload', *sys.argv[1:]]\n"
    code = hidden + "from dumpload.__main__ import main\nsys.exit(main())\n"
    command = [sys.executable, "-c", code, "serve", "--config", str(write_plain_settings(tmp_path))]
    done = subprocess.run(
        command, env=plain_environment(), capture_output=True, text=True, check=False, timeout=PATIENCE_S
    )
    assert (done.returncode, done.stderr) == (
        2,
        "dumpload serve: expected the extra that serves the page: pip install 'dumpload[web]'\n",
    )
