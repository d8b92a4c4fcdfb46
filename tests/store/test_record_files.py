"""Old rows of sessions lie in files of the record: whoever asks gets what he got before, and nothing is lost."""

from __future__ import annotations

import random
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import duckdb
import pytest

import tests.toy.logs as toy
from herdbook.pipeline.assess.fit_reference import refit
from herdbook.pipeline.errors import DamagedPartError, StoreError
from herdbook.pipeline.health.herd_figures import FIGURES
from herdbook.pipeline.herd.one_select import Limits, answering
from herdbook.pipeline.night import batch_alarm
from herdbook.pipeline.night.again import reassess
from herdbook.pipeline.night.close import close
from herdbook.pipeline.store import record_writing, shards
from herdbook.pipeline.store import settle as settling
from herdbook.pipeline.store.connection import transaction
from herdbook.pipeline.store.known_newest import KNOWN
from herdbook.pipeline.store.publish import publish
from herdbook.pipeline.store.record_files import TABLES, files_of
from herdbook.pipeline.store.statements import Row
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import DAY, HOUR
from herdbook.pipeline.upkeep.merge_and_expire import upkeep
from herdbook.pipeline.upkeep.repair import check, repair
from tests.store.verb_kills import survive
from tests.toy.bench import DATA, NOW, RESULTS, Bench, answers

RECORD = RESULTS | {"stretch_messages": "SELECT * FROM stretch_messages ORDER BY ALL"}


def settings(bench: Bench, keep: str) -> None:
    (bench.store.folder / "herdbook.toml").write_text(f'profiles = "{DATA}"\n[keep]\n{keep}\n')
    bench.store = Store.open(bench.store.folder)


def nights(folder: Path, keep: str, count: int = 3) -> Bench:
    """As many nights: a new ride of each of two vehicles; from the second on one also gives the last ride its end."""
    bench = Bench(folder)
    settings(bench, keep)
    for n in range(count):
        start = toy.T0 + n * DAY
        for serial in (1, 2):
            toy.write(bench.inbox / f"{serial}-{n}.log", toy.stretch(start, 20, kmh=9, amps=-9, mode=2, serial=serial))
        if n:
            end = toy.stretch(start - DAY + 20_000_000, 10, kmh=9, amps=-9, mode=2, serial=1, first=200)
            toy.write(bench.inbox / f"1-{n}-end.log", end)
        bench.scan()
    return bench


@pytest.fixture(scope="module")
def young(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """All rows in the catalogue."""
    return nights(tmp_path_factory.mktemp("young"), "")


@pytest.fixture(scope="module")
def settled_once(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return nights(tmp_path_factory.mktemp("settled"), "young_rows = 0")


@pytest.fixture
def settled(settled_once: Bench, tmp_path: Path) -> Bench:
    """Every night's rows in files of their own; moved to another place."""
    return moved(settled_once, tmp_path)


def moved(bench: Bench, folder: Path) -> Bench:
    shutil.copytree(bench.folder, folder / "moved")
    return Bench(folder / "moved")


def files(bench: Bench) -> list[Path]:
    """Without those of the ledger (tests/store/test_ledger_files.py)."""
    with bench.store.read() as con:
        return [bench.store.folder / f.file for f in files_of(con) if f.kind in TABLES]


def flip(path: Path, at: int = 100) -> None:
    raw = bytearray(path.read_bytes())
    raw[at] ^= 8
    path.chmod(0o600)
    path.write_bytes(bytes(raw))


def test_the_record_reads_as_before(young: Bench, settled: Bench) -> None:
    assert not files(young)
    assert len(files(settled)) == 9  # metrics, events or counts, of three nights
    assert settled.ask("SELECT count(*) FROM record_removed") != [(0,)]  # a ride that got its end was measured again
    assert answers(settled.store, RECORD) == answers(young.store, RECORD)


def test_sql_of_a_person_reads_it_too(young: Bench, settled: Bench) -> None:
    asked = "SELECT vehicle, count(*) AS n, sum(value) AS s FROM metrics GROUP BY ALL ORDER BY ALL"
    with answering(settled.store, asked, Limits()) as answer:
        told = [row for batch in answer.batches for row in batch]
    assert told == young.ask(asked)


def test_so_does_another_program_that_opens_the_published_file(young: Bench, settled_once: Bench) -> None:
    with duckdb.connect(str(settled_once.store.fleet), read_only=True) as con:
        assert con.execute("SELECT count(*) FROM metrics").fetchall() == young.ask("SELECT count(*) FROM metrics")


def test_rules_and_references_are_made_from_all_of_it(young: Bench, settled: Bench) -> None:
    assert refit(settled.store).equals(refit(young.store))
    reassess(settled.store, jobs=0)
    assert answers(settled.store, RECORD) == answers(young.store, RECORD)


def test_the_night_holds_batches_against_all_of_it(
    young: Bench, settled: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[Mapping[str, Sequence[Row]]] = []

    def noted(by_figure: Mapping[str, Sequence[Row]]) -> list[batch_alarm.Departure]:
        seen.append(by_figure)
        return []

    monkeypatch.setattr(batch_alarm, "LEAST", 1)
    monkeypatch.setattr(batch_alarm, "FEWEST", 0)  # with fewer vehicles than this nothing is read at all
    monkeypatch.setattr(batch_alarm, "FIGURES", (replace(FIGURES[0], metric="data_coverage"),))
    monkeypatch.setattr(batch_alarm, "departures", noted)
    for bench in (moved(young, tmp_path / "young"), settled):
        with transaction(bench.store.catalogue) as con:
            con.execute("UPDATE vehicles SET batch = 'B1'")
        close(bench.store, "tonight")
    assert seen[0] == seen[1]
    assert [len(rows) for rows in seen[0].values()] == [2]


def full(path: Path) -> str:
    raise OSError(28, "No space left on device")


def test_files_are_merged_and_what_was_measured_again_leaves(
    young: Bench, settled: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(settling, "MERGED", 2)
    before = files(settled)
    upkeep(settled.store, NOW)
    assert len(files(settled)) == 3
    assert settled.ask("SELECT count(*) FROM record_removed") == [(0,)]
    assert answers(settled.store, RECORD) == answers(young.store, RECORD)
    assert all(p.exists() for p in before)  # who has the old fleet.duckdb open reads on
    upkeep(settled.store, NOW + 49 * HOUR)
    assert not any(p.exists() for p in before)
    assert answers(settled.store, RECORD) == answers(young.store, RECORD)


def test_a_bit_that_flips_is_told_and_the_next_scan_mends_it(young: Bench, settled: Bench) -> None:
    broken = files(settled)[0]
    flip(broken)
    with pytest.raises(DamagedPartError, match=r"a file of the record is damaged.*store check --repair"):
        settled.store.read()
    (trouble,) = check(settled.store)
    assert (trouble.part, trouble.problem, trouble.vehicles) == (
        f"record/{broken.name}",
        "damaged",
        ("TOY-001", "TOY-002"),
    )
    result = settled.scan()
    said = "2 vehicles are measured again from the lake by the next scan."
    assert [n for n in result.notes if "of the record is damaged" in n and n.endswith(said)]
    assert answers(settled.store, RECORD) == answers(young.store, RECORD)
    assert [p.name for p in (settled.store.folder / "damaged").iterdir()] == [f"record_{broken.name}"]


@pytest.mark.parametrize("gone", [0, 1, 2])
def test_a_lost_file_is_measured_again_after_a_repair(young: Bench, settled: Bench, gone: int) -> None:
    files(settled)[gone].unlink()
    done = repair(settled.store, NOW)
    assert [m.how for m in done.mended] == ["2 vehicles are measured again from the lake by the next scan"]
    assert done.in_full
    settled.scan()
    assert answers(settled.store, RECORD) == answers(young.store, RECORD)


def test_what_cannot_be_measured_again_is_said(settled: Bench) -> None:
    settings(settled, "young_rows = 0\nparts_days = 1")
    upkeep(settled.store, NOW)
    files(settled)[0].unlink()
    (one,) = repair(settled.store, NOW).mended
    assert "figures of 2 sessions are lost, since rows of its logs have expired" in one.how


def test_a_full_disk_leaves_the_rows_where_they_are(
    young: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = moved(young, tmp_path)
    settings(bench, "young_rows = 0")
    monkeypatch.setattr(record_writing, "file_hash", full)
    with pytest.raises(StoreError, match="the record cannot be written"):
        upkeep(bench.store, NOW)
    monkeypatch.undo()
    assert answers(bench.store, RECORD) == answers(young.store, RECORD)
    assert upkeep(bench.store, NOW)
    assert len(files(bench)) == 3
    assert answers(bench.store, RECORD) == answers(young.store, RECORD)


@pytest.mark.slow
def test_killed_at_any_instant(tmp_path: Path) -> None:
    assert survive("scan, its rows moved", 1, random.Random(5), tmp_path) >= 1


def test_who_measured_rows_writes_them(young: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every vehicle in a shard of its own: a broken file concerns it alone, and files are merged shard by shard."""
    monkeypatch.setattr(shards, "MOST", 1)
    bench = nights(tmp_path, "young_rows = 0")
    with transaction(bench.store.catalogue) as con:
        named = [f for f in files_of(con) if f.kind in TABLES]
        rows = {kind: con.execute(f"SELECT count(*) FROM {kind}").fetchall() for kind in TABLES}
    of = {vehicle: shards.shard_of(vehicle, 1) for vehicle in ("TOY-001", "TOY-002")}
    assert len(set(of.values())) == 2
    assert {f.shard for f in named} == set(of.values())
    assert len(named) == 18  # metrics, events and counts of three nights and two shards
    assert set(map(str, rows.values())) == {"[(0,)]"}
    assert answers(bench.store, RECORD) == answers(young.store, RECORD)
    broken = next(f for f in named if f.shard == of["TOY-002"] and f.kind == "metrics")
    flip(bench.store.folder / broken.file)
    assert [t.vehicles for t in check(bench.store)] == [("TOY-002",)]
    bench.scan()
    assert answers(bench.store, RECORD) == answers(young.store, RECORD)
    monkeypatch.setattr(settling, "MERGED", 2)
    upkeep(bench.store, NOW)
    assert len(files(bench)) == 9  # of two shards, and of the night that measured one vehicle again
    assert answers(bench.store, RECORD) == answers(young.store, RECORD)
    reassess(bench.store, jobs=2)
    assert answers(bench.store, RECORD) == answers(young.store, RECORD)


def test_a_disk_that_fills_under_a_worker_stops_the_night_in_words(
    young: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = nights(tmp_path, "young_rows = 0", count=0)
    shutil.copytree(young.inbox, bench.inbox, dirs_exist_ok=True)
    with monkeypatch.context() as patched:
        patched.setattr(record_writing, "file_hash", full)
        with pytest.raises(StoreError, match=r"the record cannot be written \(No space left on device\)"):
            bench.scan()
    assert not list(bench.store.folder.glob(".record*"))
    bench.scan()
    assert answers(bench.store, RECORD) == answers(young.store, RECORD)


def test_a_store_from_before_shards_is_read_and_written_on(young: Bench, settled: Bench) -> None:
    with transaction(settled.store.catalogue) as con:
        con.execute("ALTER TABLE record_files DROP COLUMN shard")
        con.execute("DELETE FROM versions WHERE version = 17")
    publish(settled.store)
    assert answers(settled.store, RECORD) == answers(young.store, RECORD)  # a published copy of that time
    (settled.store.folder / KNOWN).unlink()  # an older Herdbook's would not name step 17
    settled.store = Store.open(settled.store.folder)
    assert (settled.store.folder / "catalogue.before-0017.duckdb").exists()
    reassess(settled.store, jobs=0)
    assert answers(settled.store, RECORD) == answers(young.store, RECORD)
