"""A receiver that is slow, silent or gone costs the night a bounded time and no other address its message."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor

import pytest

from herdbook.pipeline.night import messages
from herdbook.pipeline.night.messages import alarm, in_time, notify
from tests.night.test_messages import Notes, night


@contextlib.contextmanager
def receiver(behave: Callable[[socket.socket, threading.Event], None]) -> Iterator[str]:
    """An address that takes connections and then does what it likes."""
    over = threading.Event()
    server = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        with contextlib.suppress(OSError):
            while True:
                one, _ = server.accept()
                threading.Thread(target=talk, args=(one,), daemon=True).start()

    def talk(one: socket.socket) -> None:
        with contextlib.suppress(OSError), one:
            behave(one, over)

    threading.Thread(target=serve, daemon=True).start()
    yield f"http://127.0.0.1:{server.getsockname()[1]}/hook"
    over.set()
    server.close()


def trickling(one: socket.socket, over: threading.Event) -> None:
    """A byte now and then, for ever: no single wait is long."""
    one.sendall(b"HTTP/1.1 200 OK\r\nX: ")
    while not over.wait(0.02):
        one.sendall(b"x")


def silent(one: socket.socket, over: threading.Event) -> None:
    over.wait()


def answering(one: socket.socket, _: threading.Event) -> None:
    one.recv(65536)
    one.sendall(b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\n\r\n")


def hanging_up(one: socket.socket, _: threading.Event) -> None:
    one.recv(10)


def test_each_fails_alone_and_in_bounded_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """All at once, since what is tried is how long each is waited for."""
    monkeypatch.setattr(messages, "LONGEST_S", 3.0)
    behaviours = (trickling, silent, hanging_up)
    with contextlib.ExitStack() as stack, ThreadPoolExecutor(2 * len(behaviours)) as pool:
        quick = stack.enter_context(receiver(answering))
        slow = [stack.enter_context(receiver(behave)) for behave in behaviours]
        sent = [pool.submit(notify, night(), [one, quick], Notes(), 0) for one in slow]
        died = [pool.submit(alarm, "it died", [one, quick]) for one in slow]
        for waiting in (*sent, *died):
            bad, good = waiting.result()
            assert (bad.state, good.state) == ("failed", "sent")
            assert "no answer" in bad.detail


def test_what_hangs_is_left_behind(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(messages, "LONGEST_S", 0.1)

    def hangs() -> str:
        time.sleep(60)
        return ""

    assert in_time(hangs) == "no answer within 0.1 s"
    assert in_time(lambda: "") == ""
