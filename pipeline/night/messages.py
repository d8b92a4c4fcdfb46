"""One message a night, by webhook (JSON) or Apprise (mail, chat, ...), and no second one after a retry.

Before a message goes out the catalogue notes `sending`, afterwards `sent`. A night already `sent` to an
address is left alone. One found at `sending` was cut short in between: it may or may not have arrived. A
lost stop-use message is worse than a double one, so it goes out again and says so; webhooks also get the
same Idempotency-Key. Addresses hold passwords and tokens: they are never stored, printed or logged, only
their scheme and host; they may be kept outside herdbook.toml (addresses_kept.py).
"""

from __future__ import annotations

import hashlib
import json
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from http.client import HTTPException, HTTPMessage
from queue import Empty, SimpleQueue
from threading import Thread
from typing import IO, TYPE_CHECKING, Protocol

from herdbook.pipeline.addresses import host_shown
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.voice import order_of
from herdbook.pipeline.night.addresses_kept import AddressMissingError, address_of

if TYPE_CHECKING:
    from herdbook.pipeline.night.changes import ChangeList

TRIES = 3
TIMEOUT_S = 15.0
LONGEST_S = 45.0  # all in all: a receiver that trickles keeps every single wait short
MOST_LINES = 30  # engineering choice: a message is read on a telephone; the list itself is in the store
CAUTION = (
    f"{order_of(Severity.STOP_USE)} Packs can burn and brakes can fail; follow local codes and the rules for damaged "
    "lithium batteries. A quiet list is no proof of safety."
)
REPEAT = "(Sent again: the first copy was interrupted and may have arrived.)"


@dataclass(frozen=True, slots=True)
class Delivery:
    """What became of one address. state: sent | already sent | failed."""

    target: str  # scheme and host only
    state: str
    detail: str = ""


class Ledger(Protocol):
    """Remembers what went out; pipeline/night/message_log.py keeps it in the catalogue."""

    def claim(self, by_scan: str, target: str) -> str:
        """Note `sending`; returns the state before: "", "sending", "failed" or "sent" (then nothing is noted)."""

    def settle(self, by_scan: str, target: str, sent: bool, detail: str) -> None:
        """Note `sent`, or `failed` after a plain failure, so that the next try is no repeat."""


def notify(changes: ChangeList, targets: Sequence[str], ledger: Ledger, pause_s: float = 2.0) -> list[Delivery]:
    """Send the night to every address that has not had it. A failing address never stops the others."""
    return [_one(changes, target, ledger, pause_s) for target in dict.fromkeys(targets)]


def alarm(reason: str, targets: Sequence[str]) -> list[Delivery]:
    """Tell every address that a night failed. Nothing is remembered: the store may be what failed."""
    body = f"The nightly scan failed: {_cut(reason)}\nWhat was committed stays; the next scan goes on from there.\n"
    sent = []
    for kept in dict.fromkeys(targets):
        try:
            target = address_of(kept)
        except AddressMissingError as error:
            sent.append(Delivery(kept, "failed", str(error)))
            continue
        if _on_the_web(target):
            said: dict[str, object] = {"exit_code": 1, "headline": "The nightly scan failed.", "text": body}
            problem = in_time(partial(post, target, said, ""))
        else:
            problem = in_time(partial(through_apprise, target, "The nightly scan failed", body, "failure"))
        sent.append(Delivery(host_shown(target), "failed" if problem else "sent", problem))
    return sent


def _one(changes: ChangeList, kept: str, ledger: Ledger, pause_s: float) -> Delivery:
    try:
        target = address_of(kept)
    except AddressMissingError as error:
        return Delivery(kept, "failed", str(error))
    key = hashlib.sha256(target.encode()).hexdigest()[:16]
    before = ledger.claim(changes.scan, key)
    if before == "sent":
        return Delivery(host_shown(target), "already sent")
    send = webhook if _on_the_web(target) else apprise_message
    body = text(changes, repeat=before == "sending")
    problem = ""
    for attempt in range(TRIES):
        problem = in_time(partial(send, target, changes, body, f"{changes.scan}:{key}"))
        if not problem:
            break
        if attempt < TRIES - 1:
            time.sleep(pause_s * 2**attempt)
    ledger.settle(changes.scan, key, not problem, problem)
    return Delivery(host_shown(target), "failed" if problem else "sent", problem)


def _on_the_web(target: str) -> bool:
    return target.partition("://")[0].lower() in ("http", "https")


def in_time(send: Callable[[], str]) -> str:
    """What it says, or that it took too long: the night does not wait for a receiver, and ends while it still hangs."""
    said: SimpleQueue[str] = SimpleQueue()

    def run() -> None:
        try:
            said.put(send())
        except Exception as error:
            said.put(f"it failed: {type(error).__name__}")  # its text may quote the address

    Thread(target=run, daemon=True).start()
    try:
        return said.get(timeout=LONGEST_S)
    except Empty:
        return f"no answer within {LONGEST_S:g} s"


def webhook(target: str, changes: ChangeList, body: str, key: str) -> str:
    """POST the change list as JSON; "" when the other side answered 2xx, else what went wrong."""
    return post(target, changes.as_dict() | {"text": body}, key)


def post(target: str, message: dict[str, object], key: str) -> str:
    headers = {"Content-Type": "application/json", "User-Agent": "herdbook"} | ({"Idempotency-Key": key} if key else {})
    try:
        request = urllib.request.Request(target, json.dumps(message).encode(), method="POST", headers=headers)
        with urllib.request.build_opener(_NoRedirect).open(request, timeout=TIMEOUT_S) as reply:
            reply.read(65536)
        return ""
    except urllib.error.HTTPError as error:
        with error:
            return f"answered {error.code} {error.reason}"
    except (OSError, HTTPException, ValueError) as error:
        return f"no answer: {getattr(error, 'reason', None) or type(error).__name__}"


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    """A moved webhook is a setting to mend: following it would turn the POST into a GET."""

    def redirect_request(
        self,
        req: urllib.request.Request,
        fp: IO[bytes],
        code: int,
        msg: str,
        headers: HTTPMessage,
        newurl: str,
    ) -> None:
        return None


def apprise_message(target: str, changes: ChangeList, body: str, _key: str) -> str:
    """Through Apprise (it comes with Prefect); "" when it reports success."""
    kind = {20: "failure", 0: "info"}.get(changes.exit_code, "warning")
    return through_apprise(target, f"Fleet: {changes.headline()}", body, kind)


def through_apprise(target: str, title: str, body: str, kind: str) -> str:
    import logging

    import apprise

    logging.getLogger("apprise").setLevel(logging.CRITICAL)  # its log lines may quote the address
    sender = apprise.Apprise()
    if not sender.add(target):
        return "not an address that Apprise understands; check [night] notify in herdbook.toml"
    try:
        done = sender.notify(title=title, body=body, notify_type=apprise.NotifyType(kind))
    except (OSError, TypeError, ValueError) as error:
        return f"Apprise failed: {type(error).__name__}"
    return "" if done else "Apprise could not deliver it"


def text(changes: ChangeList, repeat: bool = False) -> str:
    """The message for people: stop-use first, then what changed, then what did not get in."""
    lines = [changes.headline()] + ([REPEAT] if repeat else [])
    if changes.stop_use:
        lines += ["", "STOP USE", CAUTION]
        lines += [_cut(f"- {s.vehicle}: {s.title} {s.item}".rstrip() + f". {s.words}") for s in changes.stop_use_once()]
    if changes.not_assessed:
        lines += ["", "NOT ASSESSED", "Nobody knows what stands against these vehicles; the next scan tries again."]
        lines += _listed(changes.not_assessed)
    if told := [d for d in changes.doubts if d.verdict == "contradicted" or d.new]:
        lines += ["", "PROFILES IN DOUBT"]
        lines += [_cut(f"- {d.profile}: {d.words}") for d in told[:MOST_LINES]]
    if changes.changes:
        lines += ["", "CHANGED"]
        rows = changes.rows()
        lines += [
            _cut(f"- {kind} {severity}".rstrip() + f": {vehicle}, {about + ': ' if about else ''}{reason}")
            for kind, severity, vehicle, about, reason in rows[:MOST_LINES]
        ]
        more = len(rows) - MOST_LINES
        lines += [f"- and {more} more; the fleet page and `herdbook night --json` have them all"] if more > 0 else []
    lines += ["", *map(_cut, changes.notes)] if changes.notes else []
    if changes.quarantined:
        lines += ["", "IN QUARANTINE"]
        lines += _listed(changes.quarantined)
    if changes.waiting:
        lines += ["", "WAITING, NOT TAKEN IN YET", *_listed(changes.waiting)]
    if changes.fleet_quiet:
        lines += ["", changes.fleet_quiet]
    return "\n".join(lines) + "\n"


def _listed(pairs: Sequence[tuple[str, str]]) -> list[str]:
    """A line each, and how many more there are."""
    more = [f"- and {len(pairs) - MOST_LINES} more"] if len(pairs) > MOST_LINES else []
    return [_cut(f"- {name}: {reason}") for name, reason in pairs[:MOST_LINES]] + more


def _cut(line: str, most: int = 300) -> str:
    """One line, without control characters (names come from logs), of bounded length."""
    clean = "".join(c if c.isprintable() else " " for c in line)
    return clean if len(clean) <= most else clean[: most - 1] + "…"
