"""Upkeep of the lake: merge parts by vehicle and month, let old ones expire, delete what nobody reads any more.

Nothing is deleted at once: a retired part stays for [keep] grace_hours, so that who still has an older fleet.duckdb
open never meets a missing file. Metrics, findings and the ledger outlive the parts.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import polars as pl

from herdbook.pipeline.errors import DamagedPartError
from herdbook.pipeline.intake.ledger import let_go
from herdbook.pipeline.lake.part_writer import PartWriter
from herdbook.pipeline.lake.place import writing
from herdbook.pipeline.store.connection import transaction
from herdbook.pipeline.store.ledger_files import put
from herdbook.pipeline.store.publish import publish
from herdbook.pipeline.store.settle import settle
from herdbook.pipeline.store.statements import ask
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import DAY, HOUR, now_us


@dataclass(frozen=True, slots=True)
class Upkeep:
    """What was done, and what the lake holds now. damaged: parts left alone because they cannot be read."""

    merged_logs: int = 0
    merged_into: int = 0
    expired_logs: int = 0
    deleted_files: int = 0
    deleted_bytes: int = 0
    files: int = 0
    bytes: int = 0
    damaged: tuple[str, ...] = ()


def upkeep(store: Store, now: int | None = None) -> Upkeep:
    """Merge, expire, publish, then delete what is past its grace. now: microseconds UTC."""
    now = now_us() if now is None else now
    with store.lock("upkeep of the lake"):
        expired = expire(store, now)
        logs, into, damaged = merge_months(store, now)
        settle(store, now)
        publish(store)
        files, size = sweep(store, now)
        left = [held.size for held in store.lake.parts()]
    return Upkeep(
        merged_logs=logs,
        merged_into=into,
        expired_logs=expired,
        deleted_files=files,
        deleted_bytes=size,
        files=len(left),
        bytes=sum(left),
        damaged=tuple(damaged),
    )


def expire(store: Store, now: int) -> int:
    """Let go of the rows of logs older than [keep] parts_days; how many logs."""
    days = store.settings.parts_days
    if days is None:
        return 0
    with transaction(store.catalogue) as con:
        logs = [row["log"] for row in ask(con, __name__, "expiring", before=now - round(days * DAY))]
        let_go(con, logs, now, "expired")
    return len(logs)


def merge_months(store: Store, now: int) -> tuple[int, int, list[str]]:
    """Merge the parts of each vehicle, profile and month that is long over; logs merged, files made, damaged parts."""
    with transaction(store.catalogue) as con:
        rows = ask(con, __name__, "months", before=now, months=int(store.settings.months_after))
        hashes = dict(con.execute("SELECT DISTINCT part, hash FROM parts").fetchall()) if rows else {}
    logs, into, damaged = 0, 0, []
    for row in rows:
        members = [tuple(m) for m in row["members"]]
        try:
            _merge(store, row["profile"], members, hashes, now)
        except DamagedPartError as error:
            damaged.append(str(error))
            continue
        logs, into = logs + len(members), into + 1
    return logs, into, damaged


def _merge(store: Store, profile: str, members: list[tuple[str, str]], hashes: dict[str, str], now: int) -> None:
    """One file out of several. members: (log, part) in order of time. hashes: by part."""
    order = {log: i for i, (log, _) in enumerate(members)}
    parts = {part: store.lake.open(part, hashes[part]) for _, part in members}
    blocks = sorted(
        ((b.message, order[b.log], i), part, b)
        for part in parts.values()
        for i, b in enumerate(part.blocks)
        if b.log in order
    )
    layout = next(iter(parts.values())).layout  # of one network: all alike
    name = hashlib.sha256("\n".join(log for log, _ in members).encode()).hexdigest()
    target = f"{profile}/months/{name}.parquet"
    with store.lake.adding(target) as path, writing(store.lake), PartWriter(path, layout, store.scratch) as writer:
        for _, part, block in blocks:
            writer.add(part.chunk(block))
        reports = {log: report for part in parts.values() for log, report in part.logs.items() if log in order}
        digest = writer.close(reports)
    with transaction(store.catalogue) as con:
        let_go(con, list(order), now, "merged")
        con.execute("DELETE FROM retired WHERE part = ?", [target])
        put(con, {"parts": pl.DataFrame([{"log": log, "part": target, "hash": digest} for log in order])})


def sweep(store: Store, now: int) -> tuple[int, int]:
    """Delete retired parts whose grace is over, and files that no catalogue row ever named; their number and bytes."""
    grace = round(store.settings.grace_hours * HOUR)
    with transaction(store.catalogue) as con:
        used = {p for (p,) in con.execute("SELECT DISTINCT part FROM parts").fetchall()}
        retired = dict(con.execute("SELECT part, epoch_us(retired_t) FROM retired").fetchall())
        deleted, size = 0, 0
        for held in store.lake.parts():
            since = retired.get(held.part, held.changed)
            if held.part not in used and since + grace < now:
                store.lake.delete(held.part)
                size += held.size
                deleted += 1
                con.execute("DELETE FROM retired WHERE part = ?", [held.part])
    return deleted, size
