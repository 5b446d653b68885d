"""Who is let in to the live page, and how: host, method, paths, headers, slow and broken peers. No daemon runs here."""

import re
import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from brokers import HOST
from serving import Page, write_plain_settings
from waiting import PATIENCE_S, eventually

from dumpload.web.app import MOST_VIEWERS
from dumpload.web.server import MOST_CONNECTIONS

PAGES = ("/", "/live.js", "/healthz", "/metrics", "/report/7d", "/report/nothing", "/nowhere")


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    folder = tmp_path_factory.mktemp("page")
    one = Page(write_plain_settings(folder, **{"web.host_names": ["barge.local"]}), folder).start()
    yield one
    one.kill()


# ---- the host ----


@pytest.mark.parametrize(
    "host",
    ["localhost", "LOCALHOST:{port}", "127.0.0.1:{port}", "[::1]:{port}", "192.0.2.7", "barge.local:{port}",
     "Barge.local."],
)  # fmt: skip
def test_a_name_of_ours_and_a_bare_address_are_answered(page: Page, host: str) -> None:
    assert page.ask("/", headers={"Host": host.format(port=page.port)}).status == 200


@pytest.mark.parametrize(
    "host",
    ["example.org", "example.org:{port}", "localhost.example.org", "127.0.0.1.example.org", "barge.local.example.org",
     "", "localhost:{port}:80", "[localhost]", "user@localhost", "localhost/..", "2130706433", "0x7f.1"],
)  # fmt: skip
def test_a_strangers_name_that_leads_here_is_not(page: Page, host: str) -> None:
    """DNS rebinding: a stranger's page, whose name now leads to this computer, would read along."""
    answer = page.ask("/", headers={"Host": host.format(port=page.port)})
    assert answer.status == 421  # RFC 9110, 15.5.20
    assert "heater" not in answer.text


def test_a_request_without_a_host_or_with_two_is_refused(page: Page) -> None:
    assert page.raw(b"GET / HTTP/1.1\r\n\r\n").startswith(b"HTTP/1.1 400 ")  # RFC 9112, 3.2
    assert page.raw(b"GET / HTTP/1.0\r\n\r\n").startswith(b"HTTP/1.1 421 ")
    two = b"GET / HTTP/1.1\r\nHost: localhost\r\nHost: example.org\r\nConnection: close\r\n\r\n"
    assert page.raw(two)[9:12] in (b"400", b"421")


# ---- methods and paths ----


@pytest.mark.parametrize("path", PAGES)
def test_head_is_get_without_the_body(page: Page, path: str) -> None:
    got, head = page.ask(path), page.ask(path, "HEAD")
    assert (head.status, head.body) == (got.status, b"")
    assert head.headers["content-type"] == got.headers["content-type"]


def test_head_of_the_stream_ends(page: Page) -> None:
    assert page.ask("/events", "HEAD").status == 200


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "CONNECT", "TRACE", "get"])
def test_nothing_but_get_and_head(page: Page, method: str) -> None:
    answer = page.ask("/", method)
    assert (answer.status, answer.headers["allow"]) == (405, "GET, HEAD")


@pytest.mark.parametrize(
    "path",
    ["/../../etc/passwd", "/..%2f..%2fetc/passwd", "/live.js/../server.py", "/%2e%2e/server.py", "//etc/passwd",
     "/report/..%2f..%2fetc%2fpasswd", "/report/../../etc/passwd", "/server.py", "/.git/config", "/report/",
     "/report/2025-06/x", "/live.js%00.txt", "/\\..\\..\\etc\\passwd"],
)  # fmt: skip
def test_no_path_leads_to_a_file(page: Page, path: str) -> None:
    answer = page.ask(path)
    assert answer.status == 404
    assert b"root:" not in answer.body
    assert b"import " not in answer.body


@pytest.mark.parametrize(
    "name",
    ["tomorrow", "0d", "99999999d", "2025-13", "2025-02-30", "1969", "2200", "7d%0a", "\u0667d", "-7d", "9" * 5000],
)
def test_what_names_no_period_is_not_found(page: Page, name: str) -> None:
    line = page.raw(f"GET /report/{name} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n".encode())
    assert line[9:12] in (b"404", b"400"), line[:200]


def test_where_no_history_is_kept_it_says_so(page: Page) -> None:
    answer = page.ask("/report/7d")
    assert answer.status == 404
    assert "No history: set history.path in the settings." in answer.text


# ---- headers ----


@pytest.mark.parametrize("path", [*PAGES, "/events"])
def test_every_answer_has_the_usual_headers(page: Page, path: str) -> None:
    headers = page.ask(path, "HEAD").headers
    policy = headers["content-security-policy"]
    assert policy.startswith("default-src 'none'")
    assert "frame-ancestors 'none'" in policy
    assert "script-src 'unsafe-inline'" not in policy
    assert "unsafe-eval" not in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"
    assert headers["cache-control"] == "no-store"
    assert "server" not in headers
    assert "access-control-allow-origin" not in headers


def test_the_live_page_has_no_inline_script_and_its_style_is_hashed(page: Page) -> None:
    answer = page.ask("/")
    policy = answer.headers["content-security-policy"]
    assert "script-src 'self'" in policy
    assert re.search(r"style-src 'sha256-[A-Za-z0-9+/]{43}='", policy)
    assert "unsafe-inline" not in policy
    assert re.findall(r"<script[^>]*>", answer.text) == ['<script src="/live.js" defer>']
    assert not re.search(r"\son\w+=|\sstyle=|javascript:", answer.text)
    assert not re.search(r"(?:src|href)=.?https?:", answer.text), "nothing is loaded from anywhere else"


def test_refusals_have_them_too(page: Page) -> None:
    for answer in (page.ask("/", "POST"), page.ask("/", headers={"Host": "example.org"})):
        assert "frame-ancestors 'none'" in answer.headers["content-security-policy"]
        assert answer.headers["x-content-type-options"] == "nosniff"


# ---- peers that are slow, broken or too many ----


@pytest.mark.parametrize(
    "octets",
    [b"\x00" * 100, b"GET\r\n\r\n", b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc",
     b"GET / HTTP/1.1\r\nHost: localhost\r\nContent-Length: -1\r\n\r\n",
     b"GET / HTTP/1.1\r\nHost: localhost\r\nX: " + b"x" * 3_000_000],
    ids=["nothing", "no target", "TLS", "length", "endless header"],
)  # fmt: skip
def test_what_is_no_request_is_refused_and_let_go(page: Page, octets: bytes) -> None:
    try:
        reply = page.raw(octets)
    except ConnectionResetError:  # it did not read to the end
        reply = b""
    assert reply[9:12] in (b"400", b"431", b"")
    assert page.ask("/healthz").status == 503, "it goes on"


@pytest.mark.slow
def test_who_sends_nothing_or_a_byte_at_a_time_is_let_go(page: Page) -> None:
    """Slow requests hold connections until none are left; ours may take ten seconds in all."""
    silent, slow = (socket.create_connection((HOST, page.port), PATIENCE_S) for _ in range(2))
    words = iter(b"GET / HTTP/1.1\r\nHost: localhost\r\nX-Slow: " + b"x" * 1000)
    began = time.monotonic()

    def is_gone(line: socket.socket) -> bool:
        line.setblocking(False)
        try:
            return line.recv(1) == b""
        except BlockingIOError:
            return False
        except OSError:
            return True

    def slow_is_gone() -> bool:
        try:
            slow.send(bytes([next(words)]))
        except OSError:
            return True
        time.sleep(0.2)
        return is_gone(slow)

    eventually(slow_is_gone, "the slow one to be let go")
    eventually(lambda: is_gone(silent), "the silent one to be let go")
    assert time.monotonic() - began > 5, "a slow line has its time"
    silent.close()
    slow.close()


def test_a_flood_of_connections_is_bounded_and_passes(page: Page) -> None:
    """The page keeps no more than MOST_CONNECTIONS, and lets all others go at once."""
    with ExitStack() as opened:
        for _ in range(400):
            opened.enter_context(socket.create_connection((HOST, page.port), PATIENCE_S))
            assert len(list(Path(f"/proc/{page.pid}/fd").iterdir())) < MOST_CONNECTIONS + 40
    eventually(lambda: page.ask("/live.js").status == 200, "an answer")


@pytest.mark.slow
def test_who_does_not_read_what_it_asked_for_is_let_go(page: Page) -> None:
    """Its answers wait in the memory of the page, but only a few of them, and not for long."""
    before = memory_kib(page.pid)
    with socket.socket() as greedy:
        greedy.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        greedy.settimeout(PATIENCE_S)
        greedy.connect((HOST, page.port))
        greedy.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n" * 2000)
        eventually(lambda: is_reset(greedy), "it to be let go")
    assert memory_kib(page.pid) < before + 20_000
    assert page.ask("/live.js").status == 200


def test_so_many_may_look_and_the_next_is_told_when_to_come_back(page: Page) -> None:
    request = b"GET /events HTTP/1.1\r\nHost: localhost\r\n\r\n"
    with ExitStack() as opened:
        for _ in range(MOST_VIEWERS):
            line = opened.enter_context(socket.create_connection((HOST, page.port), PATIENCE_S))
            line.sendall(request)
            assert line.recv(12) == b"HTTP/1.1 200"
        answer = page.ask("/events")
        assert (answer.status, answer.headers["retry-after"]) == (503, "30")
        assert page.ask("/").status == 200, "who comes after them still sees the page"
    eventually(lambda: page.ask("/events", "HEAD").status == 200, "a place to be free again")


def is_reset(line: socket.socket) -> bool:
    """Return whether the other end has hung up, without reading anything."""
    try:
        line.send(b"x")
    except TimeoutError:
        return False
    except OSError:
        return True
    return False


def memory_kib(pid: int) -> int:
    text = Path(f"/proc/{pid}/status").read_text()
    return int(re.findall(r"VmRSS:\s+(\d+)", text)[0])
