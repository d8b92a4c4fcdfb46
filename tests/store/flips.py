"""One bit flips somewhere in a store, again and again: is it noticed before a number is shown, or harmless?

    python -m tests.store.flips COUNT SEED FILE

Each trial flips one bit of one file, keeps the file's time as it was, and then looks at everything people get, as a new
process would: all published tables, the wires by SQL and by Python, and the catalogue that the next scan builds on.
noticed: somebody refused, with a reason. told: a setting is another one, valid too, no number is, and the next scan
says so. harmless: every number is as before. quiet: some number is another one.

Each trial has random numbers of its own and is written to FILE at once, a line each; run again it goes on where it was
stopped, so that a thousand add up from pieces.
"""

from __future__ import annotations

import os
import random
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path

import duckdb

import tests.toy.logs as toy
from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.lake.open import lake_of
from herdbook.pipeline.lake.read import load_signals
from herdbook.pipeline.night.workers import WorkerLost, Workers
from herdbook.pipeline.store.publish import vouch_for
from herdbook.pipeline.store.record_files import TABLES
from herdbook.pipeline.store.settings_used import settings_changed
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.upkeep.merge_and_expire import upkeep
from tests.toy.bench import DATA, NOW, Bench

KINDS = ("part", "catalogue", "published", "settings", "memory of checks", "record")
WIRES = "SELECT * FROM toy.pack ORDER BY ALL"
SETTINGS = """
# settings of a store, every kind of them
zone = "Europe/Vienna"
[take]
settle_s = 2.0
min_known_share = 0.5
[sessions]
join_s = 300
[judge]
judge_days = 400
[keep]
grace_hours = 48
check_days = 7
young_rows = 0
"""


def made(folder: Path) -> Store:
    """A store with parts of logs and of a month, a quarantine, findings, and settings."""
    bench = Bench(folder)
    (bench.store.folder / "herdbook.toml").write_text(f'profiles = "{DATA}"\n{SETTINGS}')
    bench.store = Store.open(bench.store.folder)
    for serial in (1, 2):
        for day in (0, 1, 40):
            lines = toy.stretch(toy.T0 + day * 86_400_000_000, 20, kmh=9, amps=-9, mode=2, serial=serial)
            toy.write(bench.inbox / f"{serial}-{day}.log", lines)
    toy.write(bench.inbox / "junk.log", ["nothing of use"] * 9)
    bench.scan()
    upkeep(bench.store, NOW)
    shown(bench.store.folder)
    return bench.store


def files(store: Store) -> dict[str, list[Path]]:
    """By kind; of the parts those that are in use."""
    with duckdb.connect(str(store.catalogue), read_only=True) as con:
        used = [part for (part,) in con.execute("SELECT DISTINCT part FROM parts ORDER BY 1").fetchall()]
    return {
        "part": [store.lake.root / part for part in used],
        "catalogue": [store.catalogue],
        "published": [store.fleet],
        "settings": [store.folder / "herdbook.toml"],
        "memory of checks": [store.folder / "checked.sqlite"],
        "record": sorted((store.folder / "record").glob("*.parquet")),
    }


def shown(folder: Path) -> dict[str, str]:
    """Everything that people get, as text. Raises: what refuses."""
    lake_of.cache_clear()  # as a new process
    store = Store.open(folder)
    found = {"settings": repr(store.settings)}
    with store.read() as con:
        found |= {f"published {name}": text for name, text in _tables(con).items()}
        for kind in TABLES:
            found[f"record {kind}"] = repr(con.execute(f"SELECT * FROM {kind} ORDER BY ALL").fetchall())
        vouch_for(store, con, WIRES)
        found["wires"] = repr(con.execute(WIRES).fetchall())
    for vehicle in ("TOY-001", "TOY-002"):
        for key, series in load_signals(store, vehicle, 0, 2**61).data.items():
            found[f"{vehicle} {key}"] = sha256(series.t.tobytes() + series.v.tobytes()).hexdigest()
    with duckdb.connect(str(store.catalogue), read_only=True) as con:
        found |= {f"catalogue {name}": text for name, text in _tables(con).items()}
    return found


def _tables(con: duckdb.DuckDBPyConnection) -> dict[str, str]:
    wanted = "SELECT table_name FROM duckdb_tables() WHERE NOT temporary ORDER BY 1"
    names = [name for (name,) in con.execute(wanted).fetchall()]
    return {name: repr(con.execute(f'SELECT * FROM "{name}" ORDER BY ALL').fetchall()) for name in names}


def look(folder: Path, expected: dict[str, str]) -> str:
    """What became of one flip."""
    try:
        found = shown(folder)
    except HerdbookError as error:
        return f"noticed: {type(error).__name__}"
    except duckdb.Error as error:
        return f"noticed: {type(error).__name__} of the engine"
    except Exception as error:
        return f"fault: {type(error).__name__}: {error}"
    wrong = [name for name in expected if found.get(name) != expected[name]]
    if wrong == ["settings"] and settings_changed(Store.open(folder)):
        return "told: by the next scan"
    return f"quiet: {wrong[0]}" if wrong else "harmless"


def campaign(count: int, seed: int, start: int = 0) -> Iterator[tuple[str, str]]:
    """Of each flip from start on the kind of file and how it ended."""
    with tempfile.TemporaryDirectory(prefix="herdbook-flips-") as folder, Workers(1, time_s=120.0) as workers:
        store = made(Path(folder))
        expected, places = workers.call(shown, store.folder), files(store)
        for n in range(start, count):
            rng, kind = random.Random(f"{seed} {n}"), KINDS[n % len(KINDS)]
            path = rng.choice(places[kind])
            about, whole = path.stat(), path.read_bytes()
            raw = bytearray(whole)
            raw[rng.randrange(len(raw))] ^= 1 << rng.randrange(8)
            mode = about.st_mode
            path.chmod(0o600)
            path.write_bytes(bytes(raw))
            path.chmod(mode)
            os.utime(path, ns=(about.st_atime_ns, about.st_mtime_ns))
            try:
                said = workers.call(look, store.folder, expected)
            except WorkerLost as lost:
                said = f"noticed: the process ended ({lost.kind})"
            path.chmod(0o600)
            path.write_bytes(whole)
            path.chmod(mode)
            store.catalogue.with_name("catalogue.duckdb.wal").unlink(missing_ok=True)
            yield kind, said


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 17
    kept = Path(sys.argv[3] if len(sys.argv) > 3 else os.devnull)
    kept.touch()
    from tests.store import flips  # by name: workers import what they run

    told = Counter(tuple(line.split("\t")) for line in kept.read_text().splitlines())
    with kept.open("a") as file:
        for one in flips.campaign(count, seed, start=sum(told.values())):
            told[one] += 1
            print(*one, sep="\t", file=file, flush=True)
    for (kind, end), n in sorted(told.items()):
        print(f"{kind:18} {n:5}  {end}")


if __name__ == "__main__":
    main()
