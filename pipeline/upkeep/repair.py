"""Check every part of the lake against its hash, and rebuild what is damaged from its log."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from herdbook.pipeline.intake.ledger import commit, touch
from herdbook.pipeline.intake.outcome import TakenLog
from herdbook.pipeline.intake.take_log import take_log
from herdbook.pipeline.store.connection import connect, transaction
from herdbook.pipeline.store.publish import publish
from herdbook.pipeline.store.statements import statement
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import now_us

AT_ONCE = 8  # parts looked at side by side: a far lake keeps us waiting, a near one has cores to use


@dataclass(frozen=True, slots=True)
class Trouble:
    """A part that is not what it was (hash), and the logs whose rows it holds. problem: missing or damaged."""

    part: str
    problem: str
    logs: tuple[str, ...]
    vehicles: tuple[str, ...]
    hash: str


@dataclass(frozen=True, slots=True)
class Repaired:
    """rebuilt: parts made again. lost: logs that are no longer where they were, by hash, with their last path."""

    troubles: tuple[Trouble, ...]
    rebuilt: int = 0
    lost: tuple[tuple[str, str], ...] = ()


def check(store: Store) -> list[Trouble]:
    """Parts whose bytes are not those that were written; reads the whole lake."""
    con = connect(store.catalogue, read_only=True)
    try:
        rows = con.execute(statement(__name__, "parts_checked")).fetchall()
    finally:
        con.close()
    with ThreadPoolExecutor(AT_ONCE) as threads:
        hashes = list(threads.map(store.lake.hash_of, [part for part, *_ in rows]))
    troubles = []
    for (part, digest, logs, vehicles), found in zip(rows, hashes, strict=True):
        if found != digest:
            problem = "missing" if found is None else "damaged"
            troubles.append(Trouble(part, problem, tuple(logs), tuple(vehicles), digest))
    return troubles


def repair(store: Store, now: int | None = None) -> Repaired:
    """Rebuild damaged parts from sound local copies of a far lake, else from their logs. A log that is gone too is
    counted as lost: what was found in it stays, as with expired parts. The next scan assesses the vehicles again."""
    now = now_us() if now is None else now
    with store.lock("repair of the lake"):
        troubles = check(store)
        rebuilt, lost = 0, []
        for trouble in troubles:
            if store.lake.restore(trouble.part, trouble.hash):
                rebuilt += 1
                continue
            gone = _rebuild(store, trouble, now)
            rebuilt += len(gone) < len(trouble.logs)
            lost += gone
        if troubles:
            publish(store)
    return Repaired(tuple(troubles), rebuilt, tuple(lost))


def _rebuild(store: Store, trouble: Trouble, now: int) -> list[tuple[str, str]]:
    """Take the part's logs again, each into a part of its own; those that could not be, with their paths."""
    store.lake.delete(trouble.part)
    with transaction(store.catalogue) as con:
        wanted = "SELECT log, path FROM logs WHERE log IN (SELECT unnest(?))"
        paths = dict(con.execute(wanted, [list(trouble.logs)]).fetchall())
        con.execute("DELETE FROM parts WHERE part = ?", [trouble.part])
        con.execute("DELETE FROM seen WHERE path IN (SELECT unnest(?))", [list(paths.values())])  # not known any more
        touch(con, trouble.vehicles)
    again = [take_log(Path(path), store, now=now) for _, path in sorted(paths.items())]
    good = [t for t in again if isinstance(t, TakenLog) and t.file.log in paths]
    commit(store, good, now)
    back = {t.file.log for t in good}
    return [(log, path) for log, path in sorted(paths.items()) if log not in back]
