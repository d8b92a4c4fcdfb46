"""What publishing costs once a store is old: rows of sessions in the catalogue, against rows in files of the record.

    python -m tests.bench.record_at_size --vehicles 1000 --nights 40

Synthetic rows, as a night of one ride a vehicle would leave them (160 figures, 12 events, 10 counts of messages), are
put into two stores, night after night; one never moves them, the other does by its settings. Of the last night: moving
and publishing in processor seconds, bytes of fleet.duckdb, and the time to read one vehicle's whole record from it.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

from herdbook.pipeline.store.connection import transaction
from herdbook.pipeline.store.publish import publish
from herdbook.pipeline.store.settle import settle
from herdbook.pipeline.store.store import Store
from tests.toy.bench import DATA

RIDE = "make_timestamp((1767225600 + $night * 86400 + v % 3600) * 1000000)"
NIGHT = f"""
INSERT INTO sessions SELECT 'V' || v, {RIDE}, {RIDE} + INTERVAL 10 MINUTE, 'ride', 1.0, ['log' || v], 'r'
FROM range($vehicles) t(v);
INSERT INTO metrics SELECT 'V' || v, {RIDE}, 'figure_' || m, (v * m % 12)::VARCHAR,
    hash(v, m, $night)::DOUBLE / 1e19, 'V', hash(m, v, $night)::DOUBLE / 1e21, 1000 + m, 1.0
FROM range($vehicles) t(v), range(160) u(m);
INSERT INTO events SELECT 'V' || v, {RIDE}, 'braking', '', {RIDE} + INTERVAL 1 SECOND * e,
    {RIDE} + INTERVAL 1 SECOND * (e + 1), map(['a', 'b'], [e::DOUBLE, hash(v, e, $night)::DOUBLE])
FROM range($vehicles) t(v), range(12) u(e);
INSERT INTO stretch_messages SELECT 'V' || v, {RIDE}, 'M' || m, 6000, {RIDE}, {RIDE} + INTERVAL 10 MINUTE, 0, 0, 0, 0
FROM range($vehicles) t(v), range(10) u(m);
"""


def nights(folder: Path, vehicles: int, count: int, rows: str) -> tuple[float, float, int, float]:
    """Processor seconds of moving and publishing on the last night and at the median, bytes of fleet.duckdb, seconds to
    read one vehicle."""
    store = Store.create(folder, DATA)
    with (store.folder / "herdbook.toml").open("a") as file:
        file.write(f"[keep]\nyoung_rows = {rows}\n")
    store = Store.open(folder)
    spent = []
    for night in range(count):
        with transaction(store.catalogue) as con:
            for said in NIGHT.strip().split(";\n"):
                given = {"vehicles": vehicles, "night": night}
                con.execute(said, given)
        begun = time.process_time()
        settle(store)
        publish(store)
        spent.append(time.process_time() - begun)
    begun = time.perf_counter()
    with store.read() as con:
        found = con.execute("SELECT count(*), sum(value) FROM metrics WHERE vehicle = 'V7'").fetchall()
    assert found[0][0] == 160 * count
    return spent[-1], sorted(spent)[count // 2], store.fleet.stat().st_size, time.perf_counter() - begun


def main() -> None:
    ask = argparse.ArgumentParser()
    ask.add_argument("--vehicles", type=int, default=1000)
    ask.add_argument("--nights", type=int, default=40)
    asked = ask.parse_args()
    print(f"{asked.vehicles} vehicles, {asked.nights} nights")
    for words, rows in (("in the catalogue", str(10**15)), ("in files of the record", "1000000")):
        with tempfile.TemporaryDirectory() as folder:
            last, middle, size, read = nights(Path(folder) / "store", asked.vehicles, asked.nights, rows)
            told = f"moving and publishing {last:.2f} s the last night, {middle:.2f} s at the median"
            print(f"{words}: {told}; fleet.duckdb {size / 1e6:.1f} MB; one vehicle read in {read * 1e3:.0f} ms")


if __name__ == "__main__":
    main()
