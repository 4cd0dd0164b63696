"""The embedded deployment as a process of its own that can be killed, and a network before it that fails on purpose."""

from __future__ import annotations

import http.client
import os
import random
import signal
import socket
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, ClassVar

from django.conf import settings

from tests.workers import environment


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass
class RealServer:
    """One web process with eight threads on the test database, as ``make serve`` starts it."""

    port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    def begin(self, **more: str) -> None:
        command = [sys.executable, "-m", "gunicorn", "clubcoach.wsgi:application", "-k", "gthread", "-w", "1"]
        command += ["--threads", "8", "-b", f"127.0.0.1:{self.port}", "--log-level", "warning"]
        self.process = subprocess.Popen(
            command,
            env={**environment(), "LOG_LEVEL": "ERROR", "EMBEDDED_JOBS": "false", **more},
            cwd=settings.BASE_DIR,
            start_new_session=True,
        )

    def ready(self) -> None:
        assert self.process is not None
        until = time.monotonic() + 60
        while True:
            assert self.process.poll() is None, "the server ended by itself"
            assert time.monotonic() < until, "the server did not answer"
            try:
                with socket.create_connection(("127.0.0.1", self.port), 1):
                    return
            except OSError:
                time.sleep(0.05)

    def kill(self) -> None:
        """As when the power goes: no request is finished, no handler runs."""
        assert self.process is not None
        os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait(30)
        self.process = None


@dataclass
class Weather:
    """How often requests that bring marks fare badly, and how often that has happened."""

    share: float = 0.0
    # Where it is to be told beforehand: what becomes of one after the other; after them all is fair.
    order: tuple[str, ...] = ()
    dice: random.Random = field(default_factory=lambda: random.Random(7))
    seen: Counter[str] = field(default_factory=Counter)
    # A request as it was, and how many more requests come before it does.
    late: list[tuple[int, Any]] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)

    KINDS: ClassVar = ("dropped", "unanswered", "cut", "doubled", "late", "failed")
    kinds: tuple[str, ...] = KINDS

    def next(self) -> str:
        with self.lock:
            if self.order:
                number = self.seen["requests"]
                kind = self.order[number] if number < len(self.order) else "fair"
            else:
                kind = self.dice.choice(self.kinds) if self.dice.random() < self.share else "fair"
            self.seen["requests"] += 1
            self.seen[kind] += 1
            return kind

    def due(self) -> list[Any]:
        """Older requests that arrive only now, behind newer ones."""
        with self.lock:
            now = [request for wait, request in self.late if wait <= 0]
            self.late = [(wait - 1, request) for wait, request in self.late if wait > 0]
            return now

    def words(self) -> str:
        return ", ".join(f"{self.seen[kind]} {kind}" for kind in ("requests", *self.KINDS))


def _handler(server: RealServer, weather: Weather) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def log_message(self, *_args: Any) -> None:
            pass

        def pass_on(self) -> None:
            length = int(self.headers.get("Content-Length") or 0)
            body = self.rfile.read(length) if length else b""
            request = (self.command, self.path, body, dict(self.headers))
            marks = self.command == "POST" and self.path.endswith("/ops/")
            kind = weather.next() if marks else "fair"
            try:
                if marks:
                    self.fare(kind, request)
                else:
                    self.answer(*_ask(server, request))
            except (OSError, http.client.HTTPException):
                self.hang_up()

        def fare(self, kind: str, request: Any) -> None:
            if kind == "dropped":
                self.hang_up()
                return
            if kind == "failed":
                self.answer(502, [("Content-Type", "text/html")], b"<h1>Bad gateway</h1>")
                return
            for older in weather.due():
                _ask(server, older)
            if kind == "doubled":
                _ask(server, request)
            status, headers, content = _ask(server, request)
            if kind == "late":
                with weather.lock:
                    weather.late.append((weather.dice.randrange(1, 6), request))
            if kind == "unanswered":
                self.hang_up()
            elif kind == "cut":
                self.answer(status, headers, content, only=len(content) // 2)
            else:
                self.answer(status, headers, content)

        def answer(
            self, status: int, headers: list[tuple[str, str]], content: bytes, only: int | None = None
        ) -> None:
            self.send_response_only(status)
            for name, value in headers:
                if name.lower() not in ("transfer-encoding", "content-length", "connection"):
                    self.send_header(name, value)
            self.send_header("Content-Length", str(len(content)))
            # On a line that is used again a browser repeats by itself what got no answer, and the page hears nothing.
            self.send_header("Connection", "close")
            self.end_headers()
            self.wfile.write(content if only is None else content[:only])
            if only is not None:
                self.hang_up()

        def hang_up(self) -> None:
            self.close_connection = True
            self.wfile.flush()
            with suppress(OSError):
                self.connection.shutdown(socket.SHUT_RDWR)

        do_GET = do_POST = do_HEAD = pass_on

    return Handler


def _ask(server: RealServer, request: Any) -> tuple[int, list[tuple[str, str]], bytes]:
    method, path, body, headers = request
    line = http.client.HTTPConnection("127.0.0.1", server.port, timeout=30)
    try:
        line.request(method, path, body, {**headers, "Connection": "close"})
        answer = line.getresponse()
        return answer.status, answer.getheaders(), answer.read()
    finally:
        line.close()


@contextmanager
def served(weather: Weather | None = None, **more: str) -> Iterator[tuple[RealServer, str]]:
    """A server of its own behind a network of that weather; its address is the network's."""
    server = RealServer()
    server.begin(**more)
    server.ready()
    network = ThreadingHTTPServer(("127.0.0.1", 0), _handler(server, weather or Weather()))
    network.daemon_threads = True
    threading.Thread(target=network.serve_forever, daemon=True).start()
    try:
        yield server, f"http://127.0.0.1:{network.server_port}"
    finally:
        network.shutdown()
        network.server_close()
        if server.process is not None:
            server.kill()
