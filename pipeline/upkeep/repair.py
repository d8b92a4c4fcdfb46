"""Check every part of the lake against its hash, and mend what is damaged: from a sound copy, else from its logs, else
by saving the rows that can still be read.

Nothing is taken away before its replacement stands, and a damaged original is kept in the store's folder `damaged`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from herdbook.pipeline.assess.mend_record import ASIDE, RecordTrouble, mend_record, record_troubles
from herdbook.pipeline.errors import StoreError
from herdbook.pipeline.intake.ledger import enter, let_go, touch
from herdbook.pipeline.intake.named_logs import as_named
from herdbook.pipeline.intake.outcome import TakenLog
from herdbook.pipeline.intake.take_log import take_log
from herdbook.pipeline.lake.layout import Layout, layout_of_profile
from herdbook.pipeline.lake.place import writing
from herdbook.pipeline.lake.salvage import Saved, salvage
from herdbook.pipeline.store.connection import connect, transaction
from herdbook.pipeline.store.ledger_files import changed, forget_seen
from herdbook.pipeline.store.publish import publish
from herdbook.pipeline.store.statements import ask, statement
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import now_us

AT_ONCE = 8  # parts looked at side by side: a far lake keeps us waiting, a near one has cores to use


@dataclass(frozen=True, slots=True)
class Trouble:
    """A part, or a file of the record (without logs), that is not what it was (hash), and the logs whose rows it holds.
    problem: missing or damaged."""

    part: str
    problem: str
    logs: tuple[str, ...]
    vehicles: tuple[str, ...]
    hash: str


@dataclass(frozen=True, slots=True)
class LostLog:
    """A log that is no longer where it was (its last path), so that its rows were saved from the damaged part alone.

    kept, rows: how many of how many rows; rows is None where the part cannot even say how many it held.
    """

    log: str
    path: str
    kept: int = 0
    rows: int | None = None

    @property
    def in_words(self) -> str:
        if self.rows is None or not self.kept:
            return "no row could be saved"
        return f"{self.kept:,} of {self.rows:,} rows saved, {1 - self.kept / self.rows:.2%} lost"


@dataclass(frozen=True, slots=True)
class Mended:
    """What became of one part. how: restored from a copy, rebuilt from its logs, every row saved, saved in part, or
    lost; of a file of the record, who is measured again. aside: where the damaged original is now, "" when there was no
    file. sessions_lost: how many of the record cannot be measured again."""

    trouble: Trouble
    how: str
    lost: tuple[LostLog, ...] = ()
    aside: str = ""
    sessions_lost: int = 0


@dataclass(frozen=True, slots=True)
class Repaired:
    """Of every part that is not what it was, what became of it."""

    mended: tuple[Mended, ...] = ()

    @property
    def troubles(self) -> tuple[Trouble, ...]:
        return tuple(m.trouble for m in self.mended)

    @property
    def rebuilt(self) -> int:
        """Parts of which at least one log is whole again."""
        return sum(len(m.lost) < len(m.trouble.logs) for m in self.mended)

    @property
    def lost(self) -> tuple[LostLog, ...]:
        return tuple(log for m in self.mended for log in m.lost)

    @property
    def in_full(self) -> bool:
        return not any(m.lost or m.sessions_lost for m in self.mended)


def check(store: Store) -> list[Trouble]:
    """Parts and files of the record whose bytes are not those that were written; reads all of them."""
    return [*_parts(store), *(_trouble(t) for t in record_troubles(store))]


def _trouble(found: RecordTrouble) -> Trouble:
    return Trouble(found.file.file, found.problem, (), found.vehicles, found.file.hash)


def _parts(store: Store) -> list[Trouble]:
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
    """Mend damaged and missing parts. What was found in rows that are lost stays, as with expired parts; the next scan
    judges the vehicles again. Raises: StoreError when there is no room to keep a damaged original."""
    now = now_us() if now is None else now
    with store.lock("repair of the lake"):
        record = record_troubles(store)
        mend_record(store, record, now)
        mended = [_mended(store, trouble) for trouble in record]
        mended += [_mend(store, trouble, now) for trouble in _parts(store)]
        publish(store)  # also when an earlier repair was killed before it could
    return Repaired(tuple(mended))


def _mended(store: Store, found: RecordTrouble) -> Mended:
    aside = store.folder / ASIDE / found.file.file.replace("/", "_")
    shown = str(aside) if found.problem == "damaged" else ""
    return Mended(_trouble(found), found.in_words, aside=shown, sessions_lost=found.lost)


def _mend(store: Store, trouble: Trouble, now: int) -> Mended:
    aside = _keep_aside(store, trouble)
    shown = str(aside) if aside is not None else ""
    if store.lake.restore(trouble.part, trouble.hash):
        return Mended(trouble, "restored from a copy", aside=shown)
    with transaction(store.catalogue) as con:
        about = {row["log"]: row for row in ask(con, __name__, "logs_of_part", logs=list(trouble.logs))}
    again = (take_log(Path(about[log]["path"]), store, now=now) for log in trouble.logs if log in about)
    good = [t for t in as_named(store, again, now) if isinstance(t, TakenLog) and t.file.log in trouble.logs]
    back = {t.file.log for t in good}
    left = [log for log in trouble.logs if log not in back]
    networks = {(row["profile"], row["network_hash"]) for row in about.values()}
    part, saved = "", Saved()
    if aside is not None and left:
        part, saved = _save(store, aside, left, networks)
    with transaction(store.catalogue) as con:
        paths = [t.file.path for t in good]
        forget_seen(con, "path", paths)  # else they are known, not taken
        enter(con, good, now)
        let_go(con, left, now, trouble.problem)
        for log in left:
            kept, rows = saved.kept.get(log, 0), saved.of.get(log)
            if kept:
                con.execute("INSERT INTO parts VALUES (?, ?, ?)", [log, part, saved.hash])
            if not kept or kept != rows:
                told = LostLog(log, "", kept, rows).in_words
                con.execute("INSERT INTO log_faults VALUES (?, 'lost rows', '', 1, NULL, ?)", [log, told])
        changed(con, left, ["parts", "log_faults"])
        con.execute("DELETE FROM retired WHERE part IN (SELECT part FROM parts)")
        touch(con, trouble.vehicles)
    lost = tuple(
        LostLog(log, about[log]["path"] if log in about else "", saved.kept.get(log, 0), saved.of.get(log))
        for log in left
        if not saved.kept.get(log) or saved.kept[log] != saved.of[log]
    )
    how = "saved in part" if saved.kept or back else "lost"
    if not lost:
        how = "every row saved" if left else "rebuilt from its logs"
    return Mended(trouble, how, lost, shown)


def _keep_aside(store: Store, trouble: Trouble) -> Path | None:
    """A copy of the damaged file as it is; None when there is none. Raises: StoreError."""
    target = store.folder / ASIDE / f"{trouble.hash[:16]}-{trouble.part.replace('/', '_')}"
    try:
        target.parent.mkdir(exist_ok=True, mode=0o750)
        return target if store.lake.copy_out(trouble.part, target) else None
    except OSError as error:
        target.unlink(missing_ok=True)
        what = f"a damaged part cannot be kept aside ({error.strerror or error})"
        raise StoreError(what, target.parent, "Make room and run again; the part was left as it is") from None


def _save(store: Store, aside: Path, logs: Sequence[str], networks: set[tuple[str, str]]) -> tuple[str, Saved]:
    """What can be read of some logs, in a part of its own: its name in the lake."""
    profile = min(networks)[0] if networks else "unknown"
    layouts: list[Layout] = [layout_of_profile(p) for p in store.profiles() if (p.name, p.network_hash) in networks]
    key = "\n".join([aside.name, *sorted(logs)])
    part = f"{profile}/saved/{hashlib.sha256(key.encode()).hexdigest()}.parquet"
    expected = layouts[0] if len(layouts) == 1 and len(networks) == 1 else None
    with store.lake.adding(part) as target, writing(store.lake):
        return part, salvage(aside, logs, expected, target, store.scratch)
