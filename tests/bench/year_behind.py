"""A large fleet at full size: two nights of one short ride a vehicle, the second with a year of record behind it.

    python tests/bench/year_behind.py --vehicles 10000 --days 364 --jobs 15 [--out WHERE]

The first night and the second are real: logs written, scanned in a process of its own by `--jobs` workers. The year
between is synthetic: every row of the first night's sessions and ledger is put on each earlier day too, its logs under
names of their own and each value moved by up to a thousandth, and metrics, events and counts go straight into files of
the record, a quarter of a year each. Parts of that year are links to the first night's files, one a vehicle and month,
as merged ones would lie. Told after each step: wall and processor seconds, memory, bytes on disk; at the end what
publishing, one vehicle's history and the fleet page take. Room: about 25 kB a vehicle and day.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import tests.bench.checkout  # noqa: E402, F401
from herdbook.pipeline.assess.versions import accepted  # noqa: E402
from herdbook.pipeline.store.connection import transaction  # noqa: E402
from herdbook.pipeline.store.record_files import TABLES  # noqa: E402
from herdbook.pipeline.store.record_writing import draft, enter_files, stand  # noqa: E402
from herdbook.pipeline.store.store import Store  # noqa: E402
from herdbook.pipeline.vehicle.profile_means import measures_by  # noqa: E402
from tests.bench.night_logs import Template, write_logs  # noqa: E402
from tests.bench.night_workers import ONE  # noqa: E402

LAST = 230  # the day of the first night, counted from the template's own
BY_LOG = ("log_spans", "log_messages", "log_serials", "log_facts", "log_buses")
BY_TIME = ("sessions", "stretches")
QUARTERS = 4
PROFILE = "zirbel"  # of the template's vehicles
WITHIN = "l.vehicle = t.vehicle AND l.start_t < t.end_t AND l.end_t >= t.start_t"
OF_ONE_LOG = f"SELECT count(*) FROM stretches t JOIN logs l ON {WITHIN} WHERE t.fingerprint = fingerprint(l.log)"
HERDBOOK = "import sys; from herdbook.flows.cli import main; sys.exit(main())"


def year(store: Store, days: int) -> None:
    """Every row of the store also on each of so many days before."""
    with transaction(store.catalogue) as con:
        con.execute("SET threads = " + str(os.cpu_count()))
        con.execute("CREATE TEMP TABLE back AS SELECT i AS d FROM range(1, ?) t(i)", [days + 1])
        con.execute("CREATE TEMP TABLE before_log AS SELECT log, d, sha256(log || '-' || d) AS own FROM logs, back")
        _ledger(con, store)
        for kind, time_of in TABLES.items():
            for quarter in range(QUARTERS):
                _record(con, store, kind, time_of, (1 + quarter * days // QUARTERS, (quarter + 1) * days // QUARTERS))


def _ledger(con: Any, store: Store) -> None:
    con.execute(
        "CREATE TEMP TABLE before_part AS SELECT DISTINCT part, d // 30 AS month, "
        "replace(part, '.parquet', '-month-' || (d // 30) || '.parquet') AS own FROM parts, back"
    )
    lake = store.folder / "lake"
    for part, own in con.execute("SELECT part, own FROM before_part").fetchall():
        os.link(lake / part, lake / own)
    _enter(
        con,
        "parts",
        "SELECT b.own AS log, m.own AS part, p.hash FROM parts p JOIN before_log b USING (log) "
        "JOIN before_part m ON m.part = p.part AND m.month = b.d // 30",
    )
    for table in BY_LOG:
        moved = _moved(con, table, "b.d")
        _enter(con, table, f"SELECT t.* REPLACE (b.own AS log{moved}) FROM {table} t JOIN before_log b USING (log)")
    _enter(
        con,
        "seen",
        "SELECT t.* REPLACE (path || '-' || b.d AS path, b.own AS log) FROM seen t JOIN before_log b USING (log)",
    )
    con.execute(f"CREATE OR REPLACE TEMP MACRO fingerprint(log) AS {_fingerprint(store)}")
    if con.execute("SELECT count(*) FROM stretches").fetchall() != con.execute(OF_ONE_LOG).fetchall():
        raise RuntimeError("stretches are named otherwise than this bench names them: the year would be measured anew")
    for table in BY_TIME:
        logs = ", [sha256(x || '-' || d) FOR x IN logs] AS logs" if table == "sessions" else ""
        moved = _moved(con, table, "d").lstrip(", ")
        own = ", fingerprint(sha256(l.log || '-' || d)) AS fingerprint" if table == "stretches" else ""
        of = f" JOIN logs l ON {WITHIN}" if own else ""
        _enter(con, table, f"SELECT t.* REPLACE ({moved}{logs}{own}) FROM {table} t{of}, back")
    _enter(
        con,
        "logs",
        f"SELECT t.* REPLACE (b.own AS log, name || '-' || b.d AS name, path || '-' || b.d AS path"
        f"{_moved(con, 'logs', 'b.d')}) FROM logs t JOIN before_log b USING (log)",
    )


def _fingerprint(store: Store) -> str:
    """What a stretch is named by that one log makes, as an expression of the log (assess/assess.py)."""
    [profile] = [p for p in store.profiles() if p.name == PROFILE]
    cut = f"{store.settings.join_s} {store.settings.stop_s} {store.settings.span_gap_s}"
    before = f"{accepted(profile.pack_figures)[0]} {cut}\n"
    return f"sha256('{before}' || log || ' {profile.name} {measures_by(profile)} 0 False ()')"


def _enter(con: Any, table: str, rows: str) -> None:
    """Into the ledger, and among what lies in no file yet once some of it lies in files."""
    if con.execute("SELECT 1 FROM duckdb_tables() WHERE table_name = ?", [f"unfiled_{table}"]).fetchall():
        con.execute(f"INSERT INTO unfiled_{table} BY NAME {rows}")
    con.execute(f"INSERT INTO {table} BY NAME {rows}")


def _moved(con: Any, table: str, days: str) -> str:
    """Every time of a table put so many days back, as items of a REPLACE."""
    names = [row[0] for row in con.execute(f"DESCRIBE {table}").fetchall() if row[1] == "TIMESTAMP"]
    return "".join(f", t.{name} - INTERVAL 1 DAY * {days} AS {name}" for name in names)


def _record(con: Any, store: Store, kind: str, time_of: str, days: tuple[int, int]) -> None:
    """Rows of a kind on a quarter of the days, from where the first night left them (catalogue or files)."""
    files = con.execute("SELECT file FROM record_files WHERE kind = ? AND tier = 0", [kind]).fetchall()
    paths = ", ".join(f"'{store.folder / file}'" for (file,) in files)
    rows = (
        f"SELECT * EXCLUDE (record_file) FROM read_parquet([{paths}]) UNION ALL BY NAME FROM {kind}"
        if files
        else f"FROM {kind}"
    )
    shaken = (
        ", t.value * (1 + (hash(t.vehicle, t.name, t.item, d) % 2001 - 1000.0) / 1e6) AS value"
        if kind == "metrics"
        else ""
    )
    for digit in "0123456789abcdef":
        number = con.execute("SELECT nextval('record_ids')").fetchall()[0][0]
        with draft(store.folder, number) as path:
            con.execute(
                f"COPY (SELECT t.* REPLACE ({_moved(con, kind, 'd').lstrip(', ')}{shaken}), "
                f"{number}::BIGINT AS record_file "
                f"FROM ({rows}) t, back WHERE d BETWEEN {days[0]} AND {days[1]} AND sha256(t.vehicle)[1] = '{digit}' "
                f"ORDER BY vehicle, {time_of}) TO '{path}' (FORMAT parquet, COMPRESSION zstd)"
            )
            count, first, last = con.execute(
                f"SELECT count(*), epoch_us(min({time_of})), epoch_us(max({time_of})) FROM read_parquet('{path}')"
            ).fetchall()[0]
            if count:
                enter_files(
                    con,
                    store.folder,
                    [
                        stand(
                            store.folder,
                            path,
                            kind=kind,
                            number=number,
                            rows=count,
                            times=(first, last),
                            tier=2,
                            shard=digit,
                        )
                    ],
                )


def _night(inbox: Path, store: Path, jobs: int) -> dict[str, Any]:
    script = str(ROOT / "tests" / "bench" / "night_workers.py")
    ran = subprocess.run(
        [sys.executable, script, ONE, str(inbox), str(store), str(jobs)], capture_output=True, text=True, check=False
    )
    if ran.returncode:
        raise RuntimeError(ran.stderr)
    told: dict[str, Any] = json.loads(ran.stdout.splitlines()[-1])
    return told


def _command(*words: object) -> dict[str, Any]:
    before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
    ran = subprocess.run(
        [sys.executable, "-c", HERDBOOK, *map(str, words)], capture_output=True, text=True, check=False
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return {
        "code": ran.returncode,
        "wall s": round(time.monotonic() - begun, 2),
        "cpu s": round(spent, 2),
        "said": ran.stdout[-300:] + ran.stderr[-600:],
    }


def _disk(store: Path) -> dict[str, Any]:
    sizes: dict[str, float] = {}
    for path in store.rglob("*"):
        if path.is_file() and not path.is_symlink():
            about = path.stat()
            top = path.relative_to(store).parts[0]
            sizes[top] = sizes.get(top, 0.0) + about.st_size / about.st_nlink / 1e6
    return {name: round(size, 1) for name, size in sizes.items() if size > 0.5}


def measured(base: Path, vehicles: int, days: int, jobs: int, tell: Any) -> None:
    template = Template(base / "template", 60.0)
    store = base / "store"
    begun = time.monotonic()
    write_logs(template, base / "night-1", vehicles, range(LAST, LAST + 1), os.cpu_count() or 1)
    tell("logs of the first night written", {"wall s": round(time.monotonic() - begun, 1)})
    tell("first night", _night(base / "night-1", store, jobs) | {"disk MB": _disk(store)})
    begun = time.monotonic()
    year(Store.open(store), days)
    tell("a year put behind it", {"wall s": round(time.monotonic() - begun, 1), "disk MB": _disk(store)})
    write_logs(template, base / "night-2", vehicles, range(LAST + 1, LAST + 2), os.cpu_count() or 1)
    tell("second night", _night(base / "night-2", store, jobs) | {"disk MB": _disk(store)})
    write_logs(template, base / "night-3", 1, range(LAST + 2, LAST + 3))
    tell("one log more", _command("scan", base / "night-3", "--store", store))
    tell("history of one vehicle", _command("history", "ZB-0007", "--store", store, "--out", base / "history.html"))
    tell("fleet page", _command("fleet", "--store", store, "--pages", base / "site"))


def main() -> None:
    ask = argparse.ArgumentParser()
    ask.add_argument("--vehicles", type=int, default=200)
    ask.add_argument("--days", type=int, default=60)
    ask.add_argument("--jobs", type=int, default=2)
    ask.add_argument("--out", type=Path, default=Path("build/bench"))
    asked = ask.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    told: dict[str, Any] = {"vehicles": asked.vehicles, "days": asked.days, "jobs": asked.jobs}

    def tell(step: str, what: dict[str, Any]) -> None:
        told[step] = what
        print(step, json.dumps(what), flush=True)
        (asked.out / "year_behind.json").write_text(json.dumps(told, indent=1) + "\n", "utf-8")

    with tempfile.TemporaryDirectory() as folder:
        measured(Path(folder), asked.vehicles, asked.days, asked.jobs, tell)


if __name__ == "__main__":
    main()
