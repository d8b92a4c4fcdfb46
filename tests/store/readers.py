"""Readers at work all through some nights: does each see one whole night at a time, and is nobody disturbed?

    python -m tests.store.readers READERS NIGHTS PAUSE_S

Each reader is a process of its own that opens the published store as a new command would, asks, waits a little, asks
again over the same connection (a publication may come in between), reads the wires by SQL and through Python, and
starts anew, until the nights are over. Every night brings as many logs as vehicles, all of one size: whatever is read
must be that of a number of whole nights. After the third night parts are merged, so that readers of an older copy read
parts that are used no more.
"""

from __future__ import annotations

import json
import multiprocessing
import sys
import tempfile
import time
from dataclasses import asdict, dataclass
from pathlib import Path

import tests.toy.logs as toy
from herdbook.pipeline.lake.read import load_signals
from herdbook.pipeline.store.publish import vouch_for
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import DAY
from herdbook.pipeline.upkeep.merge_and_expire import upkeep
from tests.toy.bench import NOW, Bench

VEHICLES = (1, 2)
LENGTH_S = 10
WIRES = "SELECT count(*) FROM toy.pack"
TABLES = "SELECT (SELECT count(*) FROM scans WHERE state = 'complete'), (SELECT count(*) FROM logs)"
PRELOAD = ["herdbook.pipeline.night.scan", "pyarrow.parquet", "herdbook.pipeline.lake.read"]


@dataclass(frozen=True, slots=True)
class Look:
    """What one look found. after, logs_after: over the same connection, a little later; rows: of the wires."""

    nights: int
    logs: int
    nights_after: int
    logs_after: int
    rows: int
    problem: str = ""

    def wrong(self, rows_a_log: int) -> str:
        """What is not that of one number of whole nights; "" when all is."""
        logs = len(VEHICLES) * self.nights
        whole = Look(self.nights, logs, self.nights, logs, logs * rows_a_log)
        return self.problem or ("" if self == whole else f"{self} is not {whole}")


def read_on(store: Path, over: Path, answer: Path, pause_s: float) -> None:
    """The life of a reader. over: a file that tells it to stop."""
    looks: list[Look] = []
    last = False
    while not last:
        last = over.exists()  # one look more, at what stands in the end
        try:
            looks.append(look(store, pause_s))
        except Exception as error:
            looks.append(Look(0, 0, 0, 0, 0, f"{type(error).__name__}: {error}"))
        answer.write_text(json.dumps([asdict(one) for one in looks]))
        time.sleep(pause_s)


def look(folder: Path, pause_s: float) -> Look:
    store = Store.open(folder)
    with store.read() as con:
        [(nights, logs)] = con.execute(TABLES).fetchall()
        time.sleep(pause_s)
        vouch_for(store, con, WIRES)
        [(rows,)] = con.execute(WIRES).fetchall()
        [(nights_after, logs_after)] = con.execute(TABLES).fetchall()
    assert len(load_signals(store, "TOY-001", 0, 2**61).data)
    return Look(nights, logs, nights_after, logs_after, rows)


def night(bench: Bench, n: int) -> None:
    for serial in VEHICLES:
        lines = toy.stretch(toy.T0 + n * DAY, LENGTH_S, kmh=9, amps=-9, mode=2, serial=serial)
        toy.write(bench.inbox / f"{serial}-{n}.log", lines)
    bench.scan()


def watched(readers: int, nights: int, folder: Path, pause_s: float = 0.2) -> tuple[list[list[Look]], int]:
    """What each reader saw, and how many rows of the wires a log has."""
    bench, over = Bench(folder), folder / "over"
    night(bench, 0)
    [(rows_a_log,)] = bench.ask(f"SELECT ({WIRES}) // {len(VEHICLES)}")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(PRELOAD)
    answers = [folder / f"reader-{n}.json" for n in range(readers)]
    processes = [context.Process(target=read_on, args=(bench.store.folder, over, a, pause_s)) for a in answers]
    for process in processes:
        process.start()
    while not all(a.exists() for a in answers):  # all are at work before the next night begins
        time.sleep(0.1)
    for n in range(1, nights):
        night(bench, n)
        if n == 2:
            upkeep(bench.store, NOW)
    over.touch()
    for process in processes:
        process.join(120)
        assert process.exitcode == 0
    return [[Look(**one) for one in json.loads(a.read_text())] for a in answers], int(rows_a_log)


def check(seen: list[list[Look]], rows_a_log: int, nights: int) -> list[str]:
    """All that is wrong with what readers saw."""
    wrong = [said for looks in seen for one in looks if (said := one.wrong(rows_a_log))]
    for n, looks in enumerate(seen):
        order = [one.nights for one in looks]
        wrong += [f"reader {n} saw an older night after a newer one: {order}"] if order != sorted(order) else []
        wrong += [f"reader {n} saw {order[-1]} of {nights} nights in the end"] if order[-1] != nights else []
    return wrong


def main() -> None:
    readers = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    nights = int(sys.argv[2]) if len(sys.argv) > 2 else 6
    pause_s = float(sys.argv[3]) if len(sys.argv) > 3 else 0.2
    from tests.store import readers as here  # by name: processes import what they run

    with tempfile.TemporaryDirectory(prefix="herdbook-readers-") as folder:
        seen, rows = here.watched(readers, nights, Path(folder), pause_s)
    wrong = here.check(seen, rows, nights)
    met = sorted({one.nights for looks in seen for one in looks})
    print(f"{len(seen)} readers, {nights} nights, {sum(map(len, seen))} looks; nights seen: {met}; {len(wrong)} wrong")
    print(*wrong[:10], sep="\n")


if __name__ == "__main__":
    main()
