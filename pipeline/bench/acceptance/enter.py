"""A test enters the store: once, whole or not at all, with its certificate's record and the unit's birth figures."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import polars as pl

from herdbook.pipeline.bench.acceptance.accept import Acceptance
from herdbook.pipeline.store.connection import insert, transaction, visit
from herdbook.pipeline.store.statements import ask
from herdbook.pipeline.times import from_micros

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store

Document = dict[str, Any]
CHECKS = {
    **{name: pl.String() for name in ("acceptance", "step", "measured", "item", "unit", "verdict", "reason")},
    **{name: pl.Float64() for name in ("value", "se", "low", "high", "accept_low", "accept_high", "conforms")},
    "no": pl.Int64(),
}
FIGURES = {
    **{name: pl.String() for name in ("acceptance", "figure", "item", "unit", "step")},
    **{name: pl.Float64() for name in ("value", "se")},
    **{name: pl.Datetime("us") for name in ("from_t", "to_t")},
    "n": pl.Int64(),
}


def name_of(found: Acceptance, *, line: str, who: str) -> str:
    """The test's own name: SHA-256 over what it was made from. The same again has the same name."""
    logs = sorted(log.log for log in found.logs)
    parts = [found.vehicle, found.plan.hash, found.profile_hash, found.readings.hash, line, who, *logs]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


def known(store: Store, name: str) -> Document | None:
    """The certificate's record of a test that is in the store already."""
    with visit(store.catalogue, read_only=True) as con:
        rows = ask(con, __name__, "known_acceptance", acceptance=name)
    return json.loads(rows[0]["document"]) if rows else None


def enter(store: Store, name: str, found: Acceptance, record: Document, *, line: str, who: str, now: datetime) -> bool:
    """Enter it and publish. record: the certificate's. now: naive UTC. False where it was in the store already.

    Raises: BusyError, StoreError.
    """
    from herdbook.pipeline.store.publish import publish

    with store.lock("an acceptance"):
        with transaction(store.catalogue) as con:
            fresh = not ask(con, __name__, "known_acceptance", acceptance=name)
            if fresh:
                insert(con, "acceptances", _head(name, found, record, line=line, who=who, now=now))
                insert(con, "acceptance_checks", _checks(name, found))
                insert(con, "birth_figures", _births(name, found))
        publish(store)  # also when nothing is new: the process that entered it may have been killed before this
    return fresh


def day_of(found: Acceptance) -> date:
    """The day of its first log, in the vehicle's zone."""
    return found.from_t.replace(tzinfo=UTC).astimezone(ZoneInfo(found.zone)).date()


def _head(name: str, found: Acceptance, record: Document, *, line: str, who: str, now: datetime) -> pl.DataFrame:
    row: Mapping[str, object] = {
        "acceptance": name,
        "vehicle": found.vehicle,
        "verdict": found.verdict.value,
        "plan": found.plan.name,
        "plan_version": found.plan.version,
        "plan_hash": found.plan.hash,
        "profile": found.profile,
        "profile_hash": found.profile_hash,
        "pack": found.serials.get("pack", ""),
        "controller": found.serials.get("controller", ""),
        "line": line,
        "who": who,
        "day": day_of(found),
        "from_t": found.from_t,
        "to_t": found.to_t,
        "logs": sorted(log.log for log in found.logs),
        "entered_t": now,
        "seal": record["seal"],
        "document": json.dumps(record, ensure_ascii=True, separators=(",", ":")),
    }
    return pl.DataFrame([row])


def _checks(name: str, found: Acceptance) -> pl.DataFrame:
    rows: list[dict[str, object]] = []
    for step in found.steps:
        for row in step.rows:
            limits, accept = row.check.limits, row.accept
            rows.append(
                {
                    "acceptance": name,
                    "no": len(rows) + 1,
                    "step": step.step.name,
                    "measured": row.check.measured,
                    "item": row.item,
                    "value": row.value,
                    "se": row.se,
                    "unit": row.check.unit,
                    "low": limits.low,
                    "high": limits.high,
                    "accept_low": accept.low if accept else None,
                    "accept_high": accept.high if accept else None,
                    "conforms": row.conforms,
                    "verdict": row.verdict.value,
                    "reason": row.reason,
                }
            )
    return pl.DataFrame(rows, schema=CHECKS)


def _births(name: str, found: Acceptance) -> pl.DataFrame:
    rows: list[dict[str, object]] = []
    for birth in found.births:
        own = birth.span != (0, 0)  # a reading of an instrument has no time of its own
        rows.append(
            {
                "acceptance": name,
                "figure": birth.figure.name,
                "item": birth.figure.item,
                "value": birth.figure.value,
                "unit": birth.figure.unit,
                "se": birth.figure.se,
                "n": birth.figure.n,
                "step": birth.step,
                "from_t": from_micros(birth.span[0]) if own else found.from_t,
                "to_t": from_micros(birth.span[1]) if own else found.to_t,
            }
        )
    return pl.DataFrame(rows, schema=FIGURES)
