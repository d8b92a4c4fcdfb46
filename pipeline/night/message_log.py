"""The ledger of messages, kept in the catalogue. What its states mean stands in pipeline/night/messages.py."""

from __future__ import annotations

from dataclasses import dataclass

from herdbook.pipeline.store.connection import transaction
from herdbook.pipeline.store.statements import statement
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import utc_now


@dataclass(frozen=True, slots=True)
class MessageLog:
    """One row for a night and an address. target: a hash of the address, which is kept nowhere."""

    store: Store

    def claim(self, by_scan: str, target: str) -> str:
        """Note `sending`, unless it was sent; returns the state found before, "" for none."""
        key = {"by_scan": by_scan, "target": target}
        with transaction(self.store.catalogue) as con:
            row = con.execute(statement(__name__, "message_state"), key).fetchone()
            if row is None or row[0] != "sent":
                con.execute(statement(__name__, "claim_message"), key | {"now": utc_now()})
        return str(row[0]) if row else ""

    def settle(self, by_scan: str, target: str, sent: bool, detail: str) -> None:
        """Note what became of it."""
        given = {"by_scan": by_scan, "target": target, "state": "sent" if sent else "failed"}
        with transaction(self.store.catalogue) as con:
            con.execute(statement(__name__, "settle_message"), given | {"detail": detail, "now": utc_now()})
