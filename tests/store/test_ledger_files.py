"""What readers see of the ledger from files is what the catalogue has, whatever was done to it in between."""

from __future__ import annotations

import shutil
from pathlib import Path

import duckdb
import pytest

import tests.toy.logs as toy
from herdbook.pipeline.errors import StoreError
from herdbook.pipeline.herd.one_select import Limits, answering
from herdbook.pipeline.intake.corrections import forget, give
from herdbook.pipeline.intake.ledger import retry
from herdbook.pipeline.night.again import reassess
from herdbook.pipeline.store import file_ledger as filing
from herdbook.pipeline.store import part_lists, record_writing
from herdbook.pipeline.store import settle as settling
from herdbook.pipeline.store.connection import transaction, visit
from herdbook.pipeline.store.known_newest import KNOWN
from herdbook.pipeline.store.ledger_files import filed
from herdbook.pipeline.store.publish import publish
from herdbook.pipeline.store.record_files import LEDGER, UNFILED, files_of
from herdbook.pipeline.store.settle import settle
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import DAY, HOUR
from herdbook.pipeline.upkeep.merge_and_expire import upkeep
from herdbook.pipeline.upkeep.repair import check, repair
from tests.toy.bench import DATA, NOW, RESULTS, Bench, answers
from tests.toy.bench import LEDGER as TOLD

# A fingerprint that is set to nothing, so that its stretch is looked at again, is the catalogue's own affair.
COLUMNS = {"stretches": "* EXCLUDE (fingerprint)"}


def settings(bench: Bench, keep: str) -> None:
    (bench.store.folder / "herdbook.toml").write_text(f'profiles = "{DATA}"\n[keep]\n{keep}\n')
    bench.store = Store.open(bench.store.folder)


def ride(bench: Bench, serial: int, day: int) -> Path:
    lines = toy.stretch(toy.T0 + day * DAY, 20, kmh=9, amps=-9, mode=2, serial=serial)
    path = bench.inbox / f"{serial}-{day}.log"
    toy.write(path, lines)
    return path


def nights(folder: Path, keep: str) -> Bench:
    bench = Bench(folder)
    settings(bench, keep)
    for day in range(3):
        for serial in (1, 2):
            ride(bench, serial, day)
        if day:
            end = toy.stretch(toy.T0 + (day - 1) * DAY + 20_000_000, 10, kmh=9, amps=-9, mode=2, serial=1, first=200)
            toy.write(bench.inbox / f"1-{day}-end.log", end)
        toy.write(bench.inbox / f"junk-{day}.log", ["nothing of use"] * 9)
        bench.scan()
    return bench


@pytest.fixture(scope="module")
def filed_once(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return nights(tmp_path_factory.mktemp("filed"), "young_rows = 0")


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """All in the catalogue."""
    return nights(tmp_path_factory.mktemp("whole"), "")


@pytest.fixture
def bench(filed_once: Bench, tmp_path: Path) -> Bench:
    shutil.copytree(filed_once.folder, tmp_path / "moved")
    return Bench(tmp_path / "moved")


def rows(con: duckdb.DuckDBPyConnection) -> dict[str, list[tuple[object, ...]]]:
    return {
        table: con.execute(f"SELECT {COLUMNS.get(table, '*')} FROM {table} ORDER BY ALL").fetchall() for table in LEDGER
    }


def agrees(store: Store) -> None:
    """The published copy and the catalogue, table by table, with rows in both."""
    with store.read() as con:
        shown = rows(con)
    with visit(store.catalogue, read_only=True) as con:
        kept = rows(con)
    for table in LEDGER:
        assert shown[table] == kept[table], table
    assert all(kept[table] for table in ("logs", "parts", "seen", "sessions", "stretches", "log_messages"))


def files(store: Store, kind: str = "logs") -> list[Path]:
    with visit(store.catalogue, read_only=True) as con:
        return [store.folder / f.file for f in files_of(con) if f.kind == kind]


def test_the_ledger_reads_as_before(whole: Bench, bench: Bench) -> None:
    agrees(bench.store)
    told = {name: text.replace("* EXCLUDE (path)", "* EXCLUDE (path, received_t)") for name, text in TOLD.items()}
    assert answers(bench.store, RESULTS | told) == answers(whole.store, RESULTS | told)
    assert len(files(bench.store)) == 3
    assert not files(whole.store)
    with duckdb.connect(str(bench.store.fleet), read_only=True) as con:  # as another program opens it
        assert con.execute("SELECT count(*) FROM logs").fetchall() == whole.ask("SELECT count(*) FROM logs")


def test_a_copy_that_was_published_before_has_the_same_columns(whole: Bench, bench: Bench) -> None:
    for table in LEDGER:
        names = [c[0] for c in whole.store.read().execute(f"SELECT * FROM {table} LIMIT 0").description]
        assert [c[0] for c in bench.store.read().execute(f"SELECT * FROM {table} LIMIT 0").description] == names


def test_a_log_given_to_another_vehicle(bench: Bench) -> None:
    give(bench.store, "1-0.log", "TOY-002", by="desk", why="wrong folder")
    publish(bench.store)
    agrees(bench.store)
    assert bench.ask("SELECT vehicle FROM logs WHERE name = '1-0.log'") == [("TOY-002",)]
    bench.scan()
    agrees(bench.store)


def test_a_log_that_is_forgotten_and_comes_back(bench: Bench) -> None:
    forget(bench.store, "1-0.log", by="desk", why="not ours")
    publish(bench.store)
    agrees(bench.store)
    assert not bench.ask("SELECT 1 FROM logs WHERE name = '1-0.log'")
    bench.scan()
    give(bench.store, "1-0.log", "TOY-001", by="desk", why="it is")
    bench.scan()
    agrees(bench.store)
    assert bench.ask("SELECT vehicle FROM logs WHERE name = '1-0.log'") == [("TOY-001",)]


def test_a_log_decoded_again_after_its_sidecar_changed(bench: Bench) -> None:
    (bench.inbox / "2-1.log.toml").write_text('[vehicle]\nserial = "TOY-002"\nbatch = "B7"\n')
    bench.scan()
    agrees(bench.store)


def test_quarantine_tried_again(bench: Bench) -> None:
    retry(bench.store)
    publish(bench.store)
    agrees(bench.store)
    (bench.inbox / "junk-1.log").unlink()
    bench.scan()
    agrees(bench.store)


def test_the_same_bytes_for_another_vehicle(bench: Bench) -> None:
    path = bench.inbox / "again.log"
    shutil.copy(bench.inbox / "1-0.log", path)
    path.with_name("again.log.toml").write_text('[vehicle]\nserial = "TOY-009"\n')
    bench.scan()
    agrees(bench.store)


def test_parts_merged_and_expired(bench: Bench) -> None:
    upkeep(bench.store, NOW)
    agrees(bench.store)
    settings(bench, "young_rows = 0\nparts_days = 1")
    upkeep(bench.store, NOW)
    with bench.store.read() as con:
        assert con.execute("SELECT count(*) FROM parts").fetchall() == [(0,)]


def test_parts_repaired_from_their_logs_or_lost(bench: Bench) -> None:
    for part in bench.store.lake.parts()[:2]:
        bench.store.lake.delete(part.part)
    (bench.inbox / "1-0.log").unlink()
    (bench.inbox / "2-0.log").unlink()
    repair(bench.store, NOW)
    agrees(bench.store)
    bench.scan()
    agrees(bench.store)


def test_everything_judged_again(bench: Bench) -> None:
    reassess(bench.store, jobs=0)
    agrees(bench.store)


def test_many_nights_are_merged(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    give(bench.store, "1-0.log", "TOY-002", by="desk", why="wrong folder")
    monkeypatch.setattr(settling, "MERGED", 2)
    old = files(bench.store)
    upkeep(bench.store, NOW)
    agrees(bench.store)
    assert len(files(bench.store)) == 1
    assert all(p.exists() for p in old)  # for who has the old fleet.duckdb open
    with visit(bench.store.catalogue, read_only=True) as con:
        assert not con.execute("FROM ledger_removed").fetchall()
    upkeep(bench.store, NOW + 49 * HOUR)
    assert not any(p.exists() for p in old)
    agrees(bench.store)


def test_what_was_changed_much_is_written_whole_again(bench: Bench) -> None:
    settings(bench, "young_rows = 8")
    for name in ("1-0.log", "2-0.log", "1-1.log"):
        give(bench.store, name, "TOY-003", by="desk", why="wrong folder")
    settle(bench.store)
    publish(bench.store)
    assert len(files(bench.store)) == 1
    agrees(bench.store)


@pytest.mark.parametrize("kind", ["logs", "log_messages", "sessions"])
def test_a_file_that_is_lost_or_damaged_is_written_again(bench: Bench, kind: str) -> None:
    lost, *_ = files(bench.store, kind)
    lost.chmod(0o600)
    lost.write_bytes(b"nothing")
    (trouble,) = check(bench.store)
    assert (trouble.problem, trouble.vehicles) == ("damaged", ())
    (one,) = repair(bench.store, NOW).mended
    assert one.how == "its rows are written again from the catalogue; nothing is lost"
    agrees(bench.store)
    ride(bench, 1, 5)
    bench.scan()
    agrees(bench.store)
    assert len(files(bench.store, kind)) == 1


def test_a_full_disk_leaves_the_ledger_as_it_is(whole: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shutil.copytree(whole.folder, tmp_path / "moved")
    bench = Bench(tmp_path / "moved")
    settings(bench, "young_rows = 600")

    def full(path: Path) -> str:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(filing, "SHARE", 600)
    with monkeypatch.context() as patched:
        patched.setattr(record_writing, "file_hash", full)
        with pytest.raises(StoreError, match="the record cannot be written"):
            upkeep(bench.store, NOW)
    with visit(bench.store.catalogue, read_only=True) as con:
        assert not filed(con)
    publish(bench.store)
    agrees(bench.store)
    upkeep(bench.store, NOW)
    assert len(files(bench.store)) == 1
    agrees(bench.store)


def test_a_store_of_before_is_upgraded_in_place(whole: Bench, tmp_path: Path) -> None:
    shutil.copytree(whole.folder, tmp_path / "moved")
    bench = Bench(tmp_path / "moved")
    with transaction(bench.store.catalogue) as con:
        con.execute("DROP TABLE ledger_removed")
        con.execute("DELETE FROM versions WHERE version = 18")
    (bench.store.folder / KNOWN).unlink()
    publish(bench.store)
    settings(bench, "young_rows = 0")
    ride(bench, 1, 5)
    bench.scan()
    agrees(bench.store)
    assert len(files(bench.store)) == 1


@pytest.mark.parametrize(
    "sql", ["SELECT * FROM toy.pack ORDER BY ALL", "SELECT count(*) FROM toy.drive WHERE vehicle = 'TOY-001'"]
)
def test_views_that_name_no_parts_give_the_same(
    whole: Bench, bench: Bench, monkeypatch: pytest.MonkeyPatch, sql: str
) -> None:
    monkeypatch.setattr(part_lists, "LISTED", 0)
    give(bench.store, "1-0.log", "TOY-002", by="desk", why="two logs of a time")
    give(bench.store, "1-0.log", "TOY-001", by="desk", why="no")
    publish(bench.store)
    with duckdb.connect(str(bench.store.fleet), read_only=True) as con:  # another program is told what to do
        with pytest.raises(duckdb.Error, match="There are too many parts to name") as told:
            con.execute(sql)
        con.execute(str(told.value).partition("first run: ")[2])
        other = con.execute(sql).fetchall()
    with answering(bench.store, sql, Limits()) as answer, answering(whole.store, sql, Limits()) as before:
        found = [row for batch in answer.batches for row in batch]
        assert found == [row for batch in before.batches for row in batch] == other
    assert found


def test_rows_that_lie_in_no_file_are_few(bench: Bench) -> None:
    with visit(bench.store.catalogue, read_only=True) as con:
        assert filed(con) == set(LEDGER)
        assert [con.execute(f"SELECT count(*) FROM {UNFILED}{t}").fetchall() for t in LEDGER] == [[(0,)]] * len(LEDGER)
