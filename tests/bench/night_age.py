"""What one night costs over an old catalogue: each step by the age of the record.

    python tests/bench/night_age.py --out build/bench [--vehicles 100] [--nights 1 10 100 365]

A fleet's first night is real; its rows are then copied into the past, a day apart, as if the same ride had been
recorded every day (parts are not copied: nothing of the past is read again). Then a new night with one log of each
vehicle is taken in and every step measured, in this process alone. Wall and processor seconds.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import polars as pl  # noqa: E402

from herdbook.pipeline.assess.assess import assess, fingerprints_of  # noqa: E402
from herdbook.pipeline.assess.commit import commit_assessed  # noqa: E402
from herdbook.pipeline.assess.plan import plan, vehicles_touched  # noqa: E402
from herdbook.pipeline.intake.inbox import new_logs  # noqa: E402
from herdbook.pipeline.intake.ledger import commit  # noqa: E402
from herdbook.pipeline.intake.take_log import take_log  # noqa: E402
from herdbook.pipeline.night.close import close  # noqa: E402
from herdbook.pipeline.night.scan import run_scan  # noqa: E402
from herdbook.pipeline.night.scan_entry import begin_scan, end_scan  # noqa: E402
from herdbook.pipeline.store.connection import insert, transaction  # noqa: E402
from herdbook.pipeline.store.publish import publish  # noqa: E402
from herdbook.pipeline.store.store import Store  # noqa: E402
from herdbook.pipeline.vehicle.profile_means import measures_by  # noqa: E402
from tests.bench.night_logs import Template, write_logs  # noqa: E402

TIMES = {
    "logs": ("start_t", "end_t", "received_t"),
    "log_spans": ("start_t", "end_t"),
    "log_messages": ("start_t", "end_t"),
    "log_serials": ("from_t", "to_t"),
    "parts": (),
    "seen": (),
    "log_facts": (),
    "sessions": ("start_t", "end_t"),
    "metrics": ("start_t",),
    "events": ("session_start_t", "start_t", "end_t"),
    "stretches": ("start_t", "end_t"),
    "stretch_messages": ("stretch_t", "start_t", "end_t"),
}


def age(store: Store, first: int, last: int) -> None:
    """Copies of the newest day's rows, so many days earlier each; what was copied before stays."""
    with transaction(store.catalogue) as con:
        for table, times in TIMES.items():
            known = {name for (_, name, *_) in con.execute(f"PRAGMA table_info('{table}')").fetchall()}
            moved = [f"{t} - INTERVAL 1 DAY * d AS {t}" for t in times]
            moved += ["log || '-' || d AS log"] if "log" in known else []
            moved += ["path || '-' || d AS path"] if "path" in known else []
            moved += ["[x || '-' || d FOR x IN logs] AS logs"] if table == "sessions" else []
            con.execute(f"CREATE TEMP TABLE newest AS SELECT * FROM {table} WHERE {_newest(table, known)}")
            con.execute(f"""INSERT INTO {table} BY NAME SELECT * EXCLUDE (d) REPLACE ({", ".join(moved)})
                            FROM newest, range({first}, {last}) days(d) ORDER BY d""")
            con.execute("DROP TABLE newest")
    _fingerprints(store)


def _newest(table: str, known: set[str]) -> str:
    """Rows that a real log brought: hashes of copies hold a dash."""
    if "log" in known:
        return "log NOT LIKE '%-%'"
    column = {"events": "session_start_t", "stretch_messages": "stretch_t"}.get(table, "start_t")
    return f"(vehicle, {column}) IN (SELECT (vehicle, start_t) FROM sessions WHERE logs[1] NOT LIKE '%-%')"


def _fingerprints(store: Store) -> None:
    """What assessment compares, for the copies too, so that they count as done."""
    with transaction(store.catalogue) as con:
        vehicles = [v for (v,) in con.execute("SELECT vehicle FROM vehicles ORDER BY 1").fetchall()]
    rows, profiles = [], {p.name: p for p in store.profiles()}
    means = {name: measures_by(profile) for name, profile in profiles.items()}
    for work in plan(store, vehicles):
        by_day = {log.spans[0][0] // 86_400_000_000: log for log in work.logs}
        for a, b in work.stretches:
            name = fingerprints_of([by_day[a // 86_400_000_000]], store.settings, profiles, means)[0]
            rows.append((work.vehicle, a, b, name))
    names = {"vehicle": pl.String, "start_t": pl.Int64, "end_t": pl.Int64, "fingerprint": pl.String}
    frame = pl.DataFrame(rows, schema=names, orient="row")
    with transaction(store.catalogue) as con:
        con.execute("DELETE FROM stretches")
        insert(con, "stretches", frame.with_columns(pl.col("start_t", "end_t").cast(pl.Datetime("us"))))


class Steps:
    """Seconds by step, wall and processor."""

    def __init__(self) -> None:
        self.found: dict[str, float] = {}

    @contextmanager
    def step(self, name: str) -> Iterator[None]:
        wall, cpu = time.monotonic(), time.process_time()
        yield
        self.found[f"{name} cpu"] = time.process_time() - cpu
        self.found[f"{name} wall"] = time.monotonic() - wall


def one_night(store: Store, inbox: Path) -> dict[str, Any]:
    """A scan's steps, one by one; see pipeline/night/steps.py."""
    steps = Steps()
    scan = begin_scan(store)
    with steps.step("list"):
        paths = new_logs(store, inbox).logs
    taken = [take_log(path, store) for path in paths]
    with steps.step("commit logs"):
        commit(store, taken)
    with steps.step("plan"):
        work = [w for i in range(0, len(paths), 16) for w in plan(store, vehicles_touched(store)[i : i + 16])]
    with steps.step("assess"):
        done = [assess(store, w) for w in work]
    with steps.step("commit vehicles"):
        for first in range(0, len(done), 16):
            commit_assessed(store, done[first : first + 16], scan)
    end_scan(store, scan)
    with steps.step("close"):
        close(store, scan)
    with steps.step("publish"):
        publish(store)
    assert len(done) == len(paths)
    return steps.found | {"catalogue_mb": store.catalogue.stat().st_size / 1e6}


def measure(base: Path, vehicles: int, nights: list[int]) -> list[dict[str, Any]]:
    template = Template(base / "t", 60.0)
    write_logs(template, base / "first", vehicles, range(1))
    rows = []
    for old in nights:
        store = Store.create(base / f"store-{old}", ROOT / "dbc_demo")
        assert run_scan(base / "first", store, 2).vehicles == vehicles
        age(store, 1, old)
        inbox = base / f"in-{old}"
        write_logs(template, inbox, vehicles, range(1, 2))
        rows.append({"vehicles": vehicles, "nights before": old, **one_night(store, inbox)})
        print(json.dumps(rows[-1]), flush=True)
    return rows


def table(rows: list[dict[str, Any]], keep: Callable[[str], bool] = lambda name: True) -> str:
    names = [n for n in rows[0] if keep(n)]
    lines = ["| " + " | ".join(names) + " |", "|" + "---|" * len(names)]
    lines += [
        "| " + " | ".join(f"{r[n]:.3g}" if isinstance(r[n], float) else str(r[n]) for n in names) + " |" for r in rows
    ]
    return "\n".join(lines)


def main() -> None:
    args = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    args.add_argument("--out", type=Path, default=ROOT / "build" / "bench")
    args.add_argument("--vehicles", type=int, default=100)
    args.add_argument("--nights", type=int, nargs="+", default=[1, 10, 100, 365])
    given = args.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        rows = measure(Path(folder), given.vehicles, given.nights)
    given.out.mkdir(parents=True, exist_ok=True)
    (given.out / "night_age.json").write_text(json.dumps(rows, indent=1), "utf-8")
    print(table(rows, lambda n: not n.endswith("wall")))


if __name__ == "__main__":
    main()
