"""What a vehicle costs the process that holds the store, step by step, with its rows in the catalogue and in files.

    python -m tests.bench.coordinator --vehicles 1000 --nights 2

Eight rides of the demo's board are measured once; the nights are made of copies of these under other names. So only
what one process does is run and timed, in processor milliseconds a vehicle: planning, taking answers off the pipe,
committing, moving rows, publishing; not taking logs in. `worker`: what a worker does in its place, writing files and
putting its answer on the pipe.
"""

from __future__ import annotations

import argparse
import pickle
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

import polars as pl

from herdbook.pipeline.assess.commit import commit_groups
from herdbook.pipeline.assess.group import AssessedGroup
from herdbook.pipeline.assess.into_files import into_files
from herdbook.pipeline.assess.large_night import MOST_IN_GROUP, LargeNight, large_night
from herdbook.pipeline.assess.plan import MOST_IN_GROUP as USUAL
from herdbook.pipeline.assess.plan import plan_group, planned
from herdbook.pipeline.night.failures import assess_group
from herdbook.pipeline.night.scan import run_scan
from herdbook.pipeline.night.steps import COMMIT_MOST, COMMIT_SHARE
from herdbook.pipeline.store.connection import transaction
from herdbook.pipeline.store.publish import publish
from herdbook.pipeline.store.settle import settle
from herdbook.pipeline.store.store import Store
from tests.bench.night_logs import Template, write_logs

PROFILES = Path(__file__).resolve().parents[2] / "dbc_demo"
ENTER = """INSERT INTO vehicles BY NAME
SELECT 'Q-' || lpad(i::VARCHAR, 6, '0') AS vehicle, 'zirbel' AS profile FROM range(?) t(i)"""


@dataclass
class Spent:
    """Processor seconds by step."""

    by_step: dict[str, float] = field(default_factory=lambda: defaultdict(float))

    @contextmanager
    def on(self, step: str) -> Iterator[None]:
        begun = time.process_time()
        yield
        self.by_step[step] += time.process_time() - begun


def measured(base: Path) -> AssessedGroup:
    """Eight vehicles with a ride of a minute each, assessed."""
    write_logs(Template(base / "template", 60.0), base / "inbox", 8, range(1))
    store = Store.create(base / "first", PROFILES)
    run_scan(base / "inbox", store, 0)
    with transaction(store.catalogue) as con:
        con.execute("UPDATE stretches SET fingerprint = ''")
        vehicles = [v for (v,) in con.execute("SELECT vehicle FROM vehicles ORDER BY 1").fetchall()]
    return assess_group(store, plan_group(store, vehicles)).assessed[0]


def copies(of: AssessedGroup, names: Sequence[str], night: int) -> AssessedGroup:
    """The same for other vehicles, so many nights later."""
    known = of.judged["vehicle"].to_list()
    called = [dict(zip(known, names[i : i + len(known)], strict=False)) for i in range(0, len(names), len(known))]

    def moved(rows: pl.DataFrame) -> pl.DataFrame:
        return pl.concat(_renamed(rows, by, night) for by in called)

    rows = {name: moved(table) for name, table in of.rows.items()}
    findings = [replace(f, vehicle=by[f.vehicle]) for by in called for f in of.findings if f.vehicle in by]
    return replace(of, judged=moved(of.judged), gone=moved(of.gone), rows=rows, findings=tuple(findings))


def _renamed(rows: pl.DataFrame, by: Mapping[str, str], night: int) -> pl.DataFrame:
    later = [pl.col(n) + pl.duration(days=night) for n, t in rows.schema.items() if isinstance(t, pl.Datetime)]
    own = [pl.concat_str("vehicle", "rule", "item").alias("finding")] if "finding" in rows.columns else []
    mine = rows.filter(pl.col("vehicle").is_in(list(by)))
    return mine.with_columns(pl.col("vehicle").replace_strict(dict(by)), *later).with_columns(own)


def one_night(store: Store, made: AssessedGroup, names: Sequence[str], night: int) -> dict[str, float]:
    """Milliseconds a vehicle by step."""
    spent = Spent()
    with spent.on("plan"):
        large = large_night(store, len(names))
        for asked in planned(store, names, USUAL, 8, large):
            pickle.dumps(asked)
    answers = []
    for some in _lots(names, large):
        group = copies(made, some, night)
        with spent.on("worker"):
            numbers = large.numbers(some[0]) if large else None
            answers.append(pickle.dumps(into_files(store, group, numbers)))
    held: list[AssessedGroup] = []
    enough = max(USUAL, min(COMMIT_MOST, len(names) // COMMIT_SHARE))
    for answer in answers:
        with spent.on("answers"):
            held.append(pickle.loads(answer))
        if sum(g.judged.height for g in held) >= enough or answer is answers[-1]:
            with spent.on("commit"):
                commit_groups(store, held, f"night {night}")
            held = []
    steps: tuple[tuple[str, Callable[[Store], object]], ...] = (("move, merge", settle), ("publish", publish))
    for step, do in steps:
        with spent.on(step):
            do(store)
    return {step: 1e3 * seconds / len(names) for step, seconds in spent.by_step.items()}


def _lots(names: Sequence[str], large: LargeNight | None) -> Iterator[Sequence[str]]:
    left = large.in_order(names) if large else list(names)
    while left:
        size = min(MOST_IN_GROUP, large.shared(left[:MOST_IN_GROUP])) if large else USUAL
        yield left[:size]
        left = left[size:]


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--vehicles", type=int, default=1000)
    ask.add_argument("--nights", type=int, default=2)
    asked = ask.parse_args()
    names = [f"Q-{i:06d}" for i in range(asked.vehicles)]
    with tempfile.TemporaryDirectory() as folder:
        base = Path(folder)
        made = measured(base)
        for way, rows in (("in the catalogue", 10**15), ("in files", 0)):
            store = Store.create(base / way.replace(" ", "-"), PROFILES)
            with (store.folder / "herdbook.toml").open("a") as file:
                file.write(f"[keep]\nyoung_rows = {rows}\n")
            store = Store.open(store.folder)
            with transaction(store.catalogue) as con:
                con.execute(ENTER, [asked.vehicles])
            for night in range(asked.nights):
                told = one_night(store, made, names, night)
                own = sum(ms for step, ms in told.items() if step != "worker")
                steps = ", ".join(f"{step} {ms:.2f}" for step, ms in told.items())
                size = store.fleet.stat().st_size / 1e6
                print(
                    f"{way}, night {night + 1}: {own:.2f} ms a vehicle; {steps}; fleet.duckdb {size:.1f} MB", flush=True
                )


if __name__ == "__main__":
    main()
