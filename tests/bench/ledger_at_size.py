"""What the ledger of an old fleet costs: a year of daily rides of many vehicles, without their lake.

    python -m tests.bench.ledger_at_size --vehicles 1000 --days 365                 (10,000 and 365: the full size)

The rides of a real night of the demo fleet are taken once; their rows of the ledger, of sessions and of the record are
then copied by SQL under other vehicles, days and hashes, through the tables that a night writes. Figures of sessions
go into files of the record at once, as those of large nights do. A last night of --new logs is committed by the ledger
itself. Seconds are wall time beside the load that is printed; files of the lake exist for the first logs only, so that
views over parts are made but never read.
"""

from __future__ import annotations

import argparse
import os
import shutil
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

import duckdb

from herdbook.pipeline.assess.plan import plan_group
from herdbook.pipeline.herd.overview import overview
from herdbook.pipeline.intake.inbox import new_logs
from herdbook.pipeline.intake.ledger import commit
from herdbook.pipeline.intake.outcome import TakenLog
from herdbook.pipeline.intake.take_log import take_log
from herdbook.pipeline.night.scan import run_scan
from herdbook.pipeline.reports import write_history
from herdbook.pipeline.reports.fleet import site
from herdbook.pipeline.reports.page import html
from herdbook.pipeline.store.connection import transaction, visit
from herdbook.pipeline.store.publish import publish
from herdbook.pipeline.store.record_files import TABLES
from herdbook.pipeline.store.record_writing import NewFile, draft, enter_files, stand
from herdbook.pipeline.store.settle import settle
from herdbook.pipeline.store.store import Store

ROOT = Path(__file__).parents[2]
DEMO, PROFILES = ROOT / "demo_logs" / "fleet", ROOT / "dbc_demo"
T = TypeVar("T")
DAY_US = 86_400_000_000
# One ride a vehicle and day: a log of the demo that is whole and dated, and its one session. n: which of them.
RIDES = """
CREATE OR REPLACE TEMP TABLE rides AS
SELECT row_number() OVER (ORDER BY l.log) - 1 AS n, l.log, l.vehicle, epoch_us(s.start_t) % 86400000000 AS us,
       epoch_us(date_trunc('day', s.start_t)) AS day, s.start_t
FROM logs l JOIN sessions s ON s.vehicle = l.vehicle AND list_contains(s.logs, l.log) AND s.kind = 'ride'
WHERE l.status = 'whole' AND len(s.logs) = 1 AND l.vehicle IN (SELECT vehicle FROM metrics)  -- none of the copies
QUALIFY row_number() OVER (PARTITION BY l.log ORDER BY s.start_t) = 1
"""
COPIES = """
CREATE OR REPLACE TEMP TABLE copies AS
SELECT r.log AS of_log, r.vehicle AS of_vehicle, r.start_t AS of_start, 'V' || lpad(v::VARCHAR, 6, '0') AS vehicle,
       sha256(v || ' ' || d) AS log, to_microseconds($first + d * 86400000000 - r.day) AS shift, d < $merged AS merged
FROM range($vehicles) a(v), range($from_day, $to_day) b(d)
JOIN (SELECT *, count(*) OVER () AS all_n FROM rides) r ON r.n = (v + d) % r.all_n
"""
NAMED = "c.vehicle || '-' || c.log[1:16] || '.log'"
COPIED = {
    "logs": f"SELECT l.* REPLACE (c.log AS log, c.vehicle AS vehicle, {NAMED} AS name,"
    f" '/inbox/' || c.vehicle || '/' || {NAMED} AS path, l.start_t + c.shift AS start_t,"
    " l.end_t + c.shift AS end_t, l.end_t + c.shift AS received_t,"
    " l.profile || '/' || c.log[1:2] || '/' || c.log || '.parquet' AS part, sha256(c.log) AS part_hash)"
    " FROM logs l JOIN copies c ON c.of_log = l.log",
    "parts": "SELECT c.log, sha256(p.part) AS hash, p.part FROM copies c JOIN logs l ON l.log = c.of_log,"
    " LATERAL (SELECT l.profile || CASE WHEN c.merged"
    " THEN '/months/' || sha256(c.vehicle || strftime(l.start_t + c.shift, '%Y-%m') || l.profile)"
    " ELSE '/' || c.log[1:2] || '/' || c.log END || '.parquet' AS part) p",
    "seen": f"SELECT '/inbox/' || c.vehicle || '/' || {NAMED} AS path, l.size_bytes,"
    " '1700000000000000000' AS stamp, c.log, 'taken' AS outcome FROM logs l JOIN copies c ON c.of_log = l.log",
    "log_messages": "SELECT m.* REPLACE (c.log AS log, m.start_t + c.shift AS start_t, m.end_t + c.shift AS end_t)"
    " FROM log_messages m JOIN copies c ON c.of_log = m.log",
    "log_serials": "SELECT m.* REPLACE (c.log AS log, m.from_t + c.shift AS from_t, m.to_t + c.shift AS to_t)"
    " FROM log_serials m JOIN copies c ON c.of_log = m.log",
    "log_spans": "SELECT m.* REPLACE (c.log AS log, m.start_t + c.shift AS start_t, m.end_t + c.shift AS end_t)"
    " FROM log_spans m JOIN copies c ON c.of_log = m.log",
    "log_facts": "SELECT m.* REPLACE (c.log AS log) FROM log_facts m JOIN copies c ON c.of_log = m.log",
    "log_faults": "SELECT m.* REPLACE (c.log AS log) FROM log_faults m JOIN copies c ON c.of_log = m.log",
    "log_buses": "SELECT m.* REPLACE (c.log AS log, m.peak_t + c.shift AS peak_t)"
    " FROM log_buses m JOIN copies c ON c.of_log = m.log",
    "stretches": "SELECT s.* REPLACE (c.vehicle AS vehicle, s.start_t + c.shift AS start_t, s.end_t + c.shift AS end_t,"
    " sha256(c.log) AS fingerprint)"
    " FROM stretches s JOIN copies c ON c.of_vehicle = s.vehicle AND s.start_t <= c.of_start AND s.end_t > c.of_start",
    "sessions": "SELECT s.* REPLACE (c.vehicle AS vehicle, s.start_t + c.shift AS start_t, s.end_t + c.shift AS end_t,"
    " [c.log] AS logs) FROM sessions s JOIN copies c ON c.of_vehicle = s.vehicle AND s.start_t = c.of_start",
}
FIGURES = {
    "metrics": "SELECT m.* REPLACE (c.vehicle AS vehicle, m.start_t + c.shift AS start_t)"
    " FROM metrics m JOIN copies c ON c.of_vehicle = m.vehicle AND m.start_t = c.of_start",
    "events": "SELECT m.* REPLACE (c.vehicle AS vehicle, m.session_start_t + c.shift AS session_start_t,"
    " m.start_t + c.shift AS start_t, m.end_t + c.shift AS end_t)"
    " FROM events m JOIN copies c ON c.of_vehicle = m.vehicle AND m.session_start_t = c.of_start",
    "stretch_messages": "SELECT m.* REPLACE (c.vehicle AS vehicle, m.stretch_t + c.shift AS stretch_t,"
    " m.start_t + c.shift AS start_t, m.end_t + c.shift AS end_t) FROM stretch_messages m"
    " JOIN copies c ON c.of_vehicle = m.vehicle AND m.stretch_t <= c.of_start"
    " AND m.stretch_t > c.of_start - INTERVAL 1 HOUR",
}
# Of a vehicle as it stands: the rows of the demo's vehicles, over and over.
SAME_VEHICLE = """
CREATE OR REPLACE TEMP TABLE same AS
SELECT k.vehicle AS of_vehicle, 'V' || lpad(v::VARCHAR, 6, '0') AS vehicle
FROM range($vehicles) a(v)
JOIN (SELECT vehicle, row_number() OVER (ORDER BY vehicle) - 1 AS n, count(*) OVER () AS all_n FROM vehicles) k
  ON k.n = v % k.all_n
"""
OF_A_VEHICLE = ("judged", "scores", "not_assessed", "findings", "finding_log", "score_log", "installs", "vehicles")
DAYS_AT_ONCE = 30
UNMERGED = 60  # days whose parts are not merged by month yet


def grown(store: Store, vehicles: int, days: int) -> None:
    """The store's one night becomes a year of a fleet."""
    newest = 0
    with visit(store.catalogue, read_only=True) as con:
        newest = con.execute("SELECT epoch_us(date_trunc('day', max(end_t))) FROM logs").fetchall()[0][0]
    for day in range(0, days, DAYS_AT_ONCE):
        with transaction(store.catalogue) as con:
            con.execute("SET threads = 2")
            con.execute(RIDES)
            given = {"vehicles": vehicles, "from_day": day, "to_day": min(days, day + DAYS_AT_ONCE)}
            con.execute(COPIES, given | {"first": newest - days * DAY_US, "merged": days - UNMERGED})
            for table, rows in COPIED.items():
                con.execute(f"INSERT INTO {table} BY NAME {rows}")
            files = [_file(con, store, kind, rows) for kind, rows in FIGURES.items()]
            enter_files(con, store.folder, files)
    with transaction(store.catalogue) as con:
        con.execute(SAME_VEHICLE, {"vehicles": vehicles})
        for table in OF_A_VEHICLE:
            key = ", sha256(s.vehicle || f.finding) AS finding" if table == "findings" else ""
            rows = (
                f"SELECT f.* REPLACE (s.vehicle AS vehicle{key}) FROM {table} f JOIN same s ON s.of_vehicle = f.vehicle"
            )
            con.execute(f"INSERT INTO {table} BY NAME {rows}")
    _stand_in(store)


def _stand_in(store: Store) -> None:
    """Each part is a link to one of the demo: views want to see their files."""
    with visit(store.catalogue, read_only=True) as con:
        rows = con.execute("SELECT DISTINCT part FROM parts ORDER BY part").fetchall()
    real: dict[str, list[Path]] = {}
    for held in store.lake.parts():
        real.setdefault(held.part.partition("/")[0], []).append(store.lake.root / held.part)
    for n, (part,) in enumerate(rows):
        path, of = store.lake.root / part, real[part.partition("/")[0]]
        if not path.exists():
            path.parent.mkdir(parents=True, exist_ok=True)
            path.hardlink_to(of[n % len(of)])


def _file(con: duckdb.DuckDBPyConnection, store: Store, kind: str, rows: str) -> NewFile:
    number = con.execute("SELECT nextval('record_ids')").fetchall()[0][0]
    time_column = TABLES[kind]
    with draft(store.folder, number) as path:
        said = f"COPY (SELECT *, {number}::BIGINT AS record_file FROM ({rows}) ORDER BY vehicle, {time_column})"
        con.execute(f"{said} TO '{path}' (FORMAT parquet, COMPRESSION zstd)")
        about = (
            f"SELECT count(*), epoch_us(min({time_column})), epoch_us(max({time_column})) FROM read_parquet('{path}')"
        )
        count, first, last = con.execute(about).fetchall()[0]
        return stand(store.folder, path, kind=kind, number=number, rows=count, times=(first, last), tier=3, shard="")


def timed(said: str, of: Callable[[], T]) -> T:
    wall, processor = time.perf_counter(), time.process_time()
    found = of()
    wall, processor = time.perf_counter() - wall, time.process_time() - processor
    print(f"{said}: {wall:.2f} s, of processor {processor:.2f} s", flush=True)
    return found


def table_sizes(store: Store) -> None:
    """Bytes in the catalogue, by table: blocks that only it uses."""
    with visit(store.catalogue, read_only=True) as con:
        names = [n for (n,) in con.execute("SELECT table_name FROM duckdb_tables() ORDER BY 1").fetchall()]
        sizes = {}
        for name in names:
            said = f"SELECT count(DISTINCT block_id) FROM pragma_storage_info('{name}') WHERE persistent"
            sizes[name] = con.execute(said).fetchall()[0][0] * 262_144
    for name, size in sorted(sizes.items(), key=lambda item: -item[1])[:14]:
        print(f"    {name}: {size / 1e6:.1f} MB")


def last_night(store: Store, inbox: Path, new: int) -> list[str]:
    """Logs of the demo, decoded once, come again with other bytes by vehicles of the fleet."""
    taken = [
        t for t in (take_log(path, store) for path in sorted(inbox.rglob("*.log.gz"))[:8]) if isinstance(t, TakenLog)
    ]
    came = []
    for n in range(new):
        like = taken[n % len(taken)]
        digest = f"{n:064x}"
        file = replace(like.file, log=digest, path=f"/inbox/new-{n}.log", name=f"new-{n}.log")
        came.append(replace(like, file=file, vehicle=f"V{n:06d}", serials=()))
    commit(store, came)
    return [t.vehicle for t in came]


def main() -> None:
    ask = argparse.ArgumentParser()
    ask.add_argument("--vehicles", type=int, default=1000)
    ask.add_argument("--days", type=int, default=365)
    ask.add_argument("--new", type=int, default=100, help="logs of the last night")
    ask.add_argument("--folder", type=Path, help="kept there, with the grown store, for a second look")
    asked = ask.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = asked.folder or Path(temporary)
        store = _store(folder, asked.vehicles, asked.days)
        measure(store, folder, asked.new)


def _store(folder: Path, vehicles: int, days: int) -> Store:
    place = folder / "store"
    if place.exists():
        return Store.open(place)
    inbox = folder / "inbox"
    shutil.copytree(DEMO, inbox)
    store = Store.create(place, PROFILES)
    timed("one night of the demo", lambda: run_scan(inbox, store))
    timed(f"{vehicles:,} vehicles, {days} days", lambda: grown(store, vehicles, days))
    return store


def measure(store: Store, folder: Path, new: int) -> None:
    print(f"load {os.getloadavg()[0]:.1f}")
    timed("open and checkpoint", lambda: _checkpoint(store))
    print(f"catalogue {store.catalogue.stat().st_size / 1e6:.0f} MB")
    table_sizes(store)
    for night in ("first", "second"):
        timed(f"move and merge, {night}", lambda: settle(store))
        timed(f"publish, {night}", lambda: publish(store))
    print(f"fleet.duckdb {store.fleet.stat().st_size / 1e6:.1f} MB")
    vehicles = timed(f"commit {new} logs", lambda: last_night(store, folder / "inbox", new))
    timed("what is new in the inbox", lambda: new_logs(store, folder / "inbox"))
    timed(f"plan {len(vehicles)} vehicles", lambda: plan_group(store, vehicles))
    timed("move and merge, after new logs", lambda: settle(store))
    timed("publish, after new logs", lambda: publish(store))
    print(f"fleet.duckdb {store.fleet.stat().st_size / 1e6:.1f} MB")
    print(f"catalogue {store.catalogue.stat().st_size / 1e6:.0f} MB")
    timed("history of one vehicle", lambda: write_history(store, vehicles[-1], folder))
    timed("the fleet page", lambda: fleet_page(store))


def fleet_page(store: Store) -> int:
    """Without the pages of single vehicles, which are written where they changed."""
    with store.read() as con:
        return len(html.render("fleet.html.j2", ("register.js",), **site._given(con, overview(store, con))))


def _checkpoint(store: Store) -> None:
    with visit(store.catalogue) as con:
        con.execute("CHECKPOINT")


if __name__ == "__main__":
    main()
