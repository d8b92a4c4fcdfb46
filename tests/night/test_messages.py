"""Messages against a real listener on loopback: content, retries, one a night, no secrets in what we say."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import timedelta
from http.server import BaseHTTPRequestHandler, HTTPServer

import pytest

from herdbook.pipeline.addresses import host_shown
from herdbook.pipeline.night.changes import Change, ChangeKind, ChangeList, StopUse
from herdbook.pipeline.night.messages import REPEAT, alarm, notify, text
from tests.night.tables import T0

SECRET = "s3cr3t-t0ken"
# Apprise's OpenPGP dependency still imports a module that Python 3.13 drops; the warning is not ours to mend.
IMGHDR = pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")


@dataclass
class Listener:
    url: str
    answers: list[int] = field(default_factory=list)  # status codes to give, then 200 for ever
    got: list[tuple[dict[str, str], bytes]] = field(default_factory=list)

    @property
    def target(self) -> str:
        return f"http://{self.url}/hook/{SECRET}"


@pytest.fixture
def listener() -> Iterator[Listener]:
    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            heard.got.append((dict(self.headers), body))
            code = heard.answers.pop(0) if heard.answers else 200
            self.send_response(code)
            if code == 302:
                self.send_header("Location", "http://127.0.0.1:9/elsewhere")
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:
            return

    server = HTTPServer(("127.0.0.1", 0), Handler)
    heard = Listener(f"127.0.0.1:{server.server_address[1]}")
    thread = threading.Thread(target=server.serve_forever, args=(0.01,))
    thread.start()
    yield heard
    server.shutdown()
    thread.join()
    server.server_close()


@dataclass
class Notes:
    """A ledger in memory with the same manners as the catalogue's."""

    kept: dict[tuple[str, str], str] = field(default_factory=dict)

    def claim(self, by_scan: str, target: str) -> str:
        before = self.kept.get((by_scan, target), "")
        if before != "sent":
            self.kept[by_scan, target] = "sending"
        return before

    def settle(self, by_scan: str, target: str, sent: bool, detail: str) -> None:
        if sent:
            self.kept[by_scan, target] = "sent"
        else:
            del self.kept[by_scan, target]


def night(scan: str = "n1", vehicle: str = "board-7") -> ChangeList:
    said = "Winding reached 141 degC."
    return ChangeList(
        scan=scan,
        started=T0,
        as_of=T0 + timedelta(hours=1),
        covers=(scan,),
        logs_new=3,
        vehicles=12,
        stop_use=(StopUse(vehicle, "Hot winding", "left", said),),
        changes=(
            Change(
                ChangeKind.NEW,
                vehicle,
                said,
                severity="stop-use",
                rule="hot_winding",
                title="Hot winding",
                item="left",
            ),
        ),
        quarantined=(("x.log", "empty"),),
        fleet_quiet="",
    )


def test_the_webhook_gets_the_list_and_a_text(listener: Listener) -> None:
    assert [d.state for d in notify(night(), [listener.target], Notes(), 0)] == ["sent"]
    ((headers, body),) = listener.got
    assert headers["Content-Type"] == "application/json"
    message = json.loads(body)
    assert message["exit_code"] == 20
    assert message["changes"][0]["vehicle"] == "board-7"
    assert message["text"].startswith("STOP USE: 1 vehicle.")
    assert "Do not ride" in message["text"]


def test_a_retry_sends_nothing_twice_and_the_next_night_is_sent(listener: Listener) -> None:
    notes = Notes()
    for _ in range(3):
        notify(night(), [listener.target], notes, 0)
    assert [d.state for d in notify(night(), [listener.target], notes, 0)] == ["already sent"]
    notify(night("n2"), [listener.target], notes, 0)
    assert [json.loads(b)["scan"] for _, b in listener.got] == ["n1", "n2"]


def test_two_addresses_each_get_one_and_a_doubled_address_gets_one(listener: Listener) -> None:
    other = listener.target + "/b"
    notify(night(), [listener.target, other, listener.target], Notes(), 0)
    assert len(listener.got) == 2


def test_a_busy_receiver_is_tried_again_with_the_same_key(listener: Listener) -> None:
    listener.answers = [503, 429]
    assert [d.state for d in notify(night(), [listener.target], Notes(), 0)] == ["sent"]
    assert len(listener.got) == 3
    assert len({h["Idempotency-Key"] for h, _ in listener.got}) == 1


def test_an_address_that_is_none_fails_alone_and_is_not_quoted(listener: Listener) -> None:
    both = ["http://[T0K3N", listener.target]
    told = [notify(night(), both, Notes(), 0), alarm("it died", both)]
    assert [[d.state for d in some] for some in told] == [["failed", "sent"]] * 2
    assert "T0K3N" not in repr(told)


@pytest.mark.parametrize("code", [500, 404, 302])
def test_a_refusing_receiver_fails_without_stopping_the_others(listener: Listener, code: int) -> None:
    listener.answers = [code] * 3
    good = listener.target + "/good"
    first, second = notify(night(), [listener.target, good], Notes(), 0)
    assert (first.state, second.state) == ("failed", "sent")
    assert str(code) in first.detail
    assert SECRET not in f"{first}{second}"


def test_after_a_plain_failure_the_next_try_is_no_repeat(listener: Listener) -> None:
    notes = Notes()
    listener.answers = [500] * 3
    notify(night(), [listener.target], notes, 0)
    notify(night(), [listener.target], notes, 0)
    assert REPEAT not in json.loads(listener.got[-1][1])["text"]


def test_a_send_cut_short_is_sent_again_and_says_so(listener: Listener) -> None:
    notes = Notes()
    notify(night(), [listener.target], notes, 0)
    notes.kept = dict.fromkeys(notes.kept, "sending")  # killed between the POST and the note
    notify(night(), [listener.target], notes, 0)
    assert len(listener.got) == 2
    assert REPEAT in json.loads(listener.got[1][1])["text"]


def test_nobody_listening_is_a_failure_that_hides_the_token() -> None:
    (delivery,) = notify(night(), [f"http://127.0.0.1:9/{SECRET}"], Notes(), 0)
    assert delivery.state == "failed"
    assert "no answer" in delivery.detail
    assert SECRET not in f"{delivery}"


@IMGHDR
def test_apprise_delivers_to_a_listener(listener: Listener) -> None:
    """json:// is Apprise's own generic POST: another program's client brings our text to the listener."""
    assert [d.state for d in notify(night(), [f"json://{listener.url}/x"], Notes(), 0)] == ["sent"]
    message = json.loads(listener.got[0][1])
    assert message["title"].startswith("Fleet: STOP USE: 1 vehicle.")
    assert message["type"] == "failure"
    assert "Winding reached 141 degC." in message["message"]


@IMGHDR
def test_an_address_nobody_understands_says_what_to_mend() -> None:
    (delivery,) = notify(night(), [f"nonsense+{SECRET}://x"], Notes(), 0)
    assert delivery.state == "failed"
    assert "herdbook.toml" in delivery.detail


@IMGHDR
def test_a_failed_night_is_told_to_every_address(listener: Listener) -> None:
    states = alarm("the disk is full", [listener.target, f"json://{listener.url}/x", f"http://127.0.0.1:9/{SECRET}"])
    assert [d.state for d in states] == ["sent", "sent", "failed"]
    assert SECRET not in f"{states}"
    assert "the disk is full" in json.loads(listener.got[0][1])["text"]
    assert "the disk is full" in json.loads(listener.got[1][1])["message"]


def test_names_from_logs_cannot_forge_lines_or_move_the_cursor() -> None:
    message = text(night(vehicle="a\n\nSTOP USE\n- b\x1b[2J" + "x" * 1000))
    assert message.count("\nSTOP USE\n") == 1
    assert "\x1b" not in message
    assert max(map(len, message.splitlines())) <= 320


@pytest.mark.parametrize(
    ("target", "seen"),
    [
        ("https://user:pw@host.example/a/b?token=1", "https://host.example"),
        ("mailto://me:pw@host.example", "mailto://…"),
    ],
)
def test_addresses_are_shown_without_their_secrets(target: str, seen: str) -> None:
    assert host_shown(target) == seen
