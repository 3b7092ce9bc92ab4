"""The running server over real sockets: where it listens, what it refuses, how it stops."""

from __future__ import annotations

import contextvars
import http.client
import queue
import re
import socket
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.parse import urlsplit

import builders
import pytest

from daq.errors import EvenburnError, SessionError
from dashboard.server import ServerError, serve

LONGEST_S = 30.0


class Running:
    """A server in a thread; `address` as it was announced."""

    def __init__(self, folder: Path, host: str = "127.0.0.1") -> None:
        addresses: queue.Queue[str] = queue.Queue()
        self.stop = threading.Event()

        def run() -> None:
            serve(folder, host, 0, on_ready=addresses.put, stop=self.stop)

        # Dash keeps a context variable that the main thread has and a new one would not
        self.thread = threading.Thread(target=contextvars.copy_context().run, args=(run,))
        self.thread.start()
        self.address = addresses.get(timeout=LONGEST_S)
        self.port = urlsplit(self.address).port or 0

    def say(self, request: str) -> bytes:
        """The answer to a raw request."""
        with socket.create_connection(("127.0.0.1", self.port), LONGEST_S) as connection:
            connection.sendall(request.encode("latin-1"))
            parts = []
            while part := connection.recv(65536):
                parts.append(part)
        return b"".join(parts)

    def get(self, path: str, host: str | None = None) -> bytes:
        """The whole answer to a GET, status line first."""
        return self.say(
            f"GET {path} HTTP/1.1\r\nHost: {host or f'127.0.0.1:{self.port}'}\r\nConnection: close\r\n\r\n"
        )

    def end(self) -> None:
        self.stop.set()
        self.thread.join(LONGEST_S)
        assert not self.thread.is_alive()


@pytest.fixture(scope="module")
def start(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[..., Running]]:
    root = tmp_path_factory.mktemp("served")
    (root / "secret.toml").write_text("the secret")
    (root / "sessions" / "lean").mkdir(parents=True)
    (root / "sessions" / "lean" / "setup.toml").write_text(builders.setup_text(), encoding="utf-8")
    begun: list[Running] = []

    def start(host: str = "127.0.0.1") -> Running:
        begun.append(Running(root / "sessions", host))
        return begun[-1]

    yield start
    for server in begun:
        server.end()


@pytest.fixture(scope="module")
def local(start: Callable[..., Running]) -> Running:
    return start()


def test_local_server_needs_no_token_and_listens_on_loopback_only(local: Running) -> None:
    assert re.fullmatch(r"http://127\.0\.0\.1:\d+/", local.address)
    assert local.get("/").startswith(b"HTTP/1.1 200")
    own = {info[4][0] for info in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)}
    for address in own - {"127.0.0.1"}:
        if not address.startswith("127."):
            with pytest.raises(OSError):
                socket.create_connection((address, local.port), 2).close()


def test_forged_host_and_missing_host_are_refused(local: Running) -> None:
    assert b" 421 " in local.get("/", host="evil.test").partition(b"\r\n")[0]
    answer = local.say("GET / HTTP/1.0\r\n\r\n")
    assert b" 421 " in answer.partition(b"\r\n")[0] or b" 400 " in answer.partition(b"\r\n")[0]


@pytest.mark.parametrize(
    "path",
    [
        "/../secret.toml",
        "/assets/../../../secret.toml",
        "/assets/%2e%2e/%2e%2e/security.py",
        "/download/%2e%2e/secret.toml",
        "/picture/time/..%2fsecret.toml",
        "//evil.test/",
        "/\\evil.test",
    ],
)
def test_no_path_leads_outside(local: Running, path: str) -> None:
    answer = local.get(path)
    assert b"the secret" not in answer and b"import hmac" not in answer
    assert b"\r\nLocation: //" not in answer


@pytest.mark.parametrize(
    "request_text",
    ["\r\n\r\n", "NONSENSE\r\n\r\n", "GET / HTTP/9.9\r\n\r\n", "GET /\0 HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"],
)
def test_garbage_does_not_end_the_server(local: Running, request_text: str) -> None:
    with socket.create_connection(("127.0.0.1", local.port), LONGEST_S) as connection:
        connection.sendall(request_text.encode())
        connection.shutdown(socket.SHUT_WR)
        connection.recv(65536)
    assert local.get("/").startswith(b"HTTP/1.1 200")


def test_served_to_the_network_one_link_lets_one_device_in(start: Callable[..., Running]) -> None:
    server = start("0.0.0.0")
    token = re.search(r"\?token=([\w-]{43,})$", server.address)
    assert token is not None
    here = f"127.0.0.1:{server.port}"
    assert b" 403 " in server.get("/", here).partition(b"\r\n")[0]  # nor is loopback let in without
    answer = server.get(f"/?token={token[1]}", here)
    assert b" 303 " in answer.partition(b"\r\n")[0]
    cookie = re.search(rb"Set-Cookie: (\w+=[\w-]+)", answer)
    assert cookie is not None
    asked = f"GET / HTTP/1.1\r\nHost: {here}\r\nCookie: {cookie[1].decode()}\r\nConnection: close\r\n\r\n"
    assert server.say(asked).startswith(b"HTTP/1.1 200")
    assert b" 403 " in server.get(f"/?token={token[1]}", here).partition(b"\r\n")[0]


def test_it_stops_at_once_with_a_live_page_open(start: Callable[..., Running]) -> None:
    server = start()
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=LONGEST_S)
    connection.request("GET", "/live/events")
    answer = connection.getresponse()
    assert answer.headers["Content-Type"].startswith("text/event-stream")
    assert b"idle" in b"".join(answer.readline() for _ in range(4))
    begun = time.monotonic()
    server.end()
    assert time.monotonic() - begun < 5.0
    connection.close()


def test_a_port_that_is_taken_is_one_clear_line(local: Running, tmp_path: Path) -> None:
    with pytest.raises(ServerError, match=f"port {local.port}: cannot listen there"):
        serve(tmp_path, "127.0.0.1", local.port)
    assert issubclass(ServerError, EvenburnError)


def test_a_folder_that_is_none_is_said_before_listening(tmp_path: Path) -> None:
    with pytest.raises(SessionError, match="not a folder"):
        serve(tmp_path / "absent")
