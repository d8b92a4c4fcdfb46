"""Faults of the machine, each really brought about: full disk, lost lake, two scans, stalls, memory, old versions."""

from __future__ import annotations

import gzip
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import duckdb
import pytest

import tests.toy.logs as toy
from herdbook.pipeline.errors import BusyError, SettingsError, StoreError
from herdbook.pipeline.intake.inbox import find_logs
from herdbook.pipeline.night.scan import run_scan
from herdbook.pipeline.settings import FILE, Settings, known_keys, read_settings
from herdbook.pipeline.store.migrations import SCHEMA, migrate, steps
from herdbook.pipeline.store.store import Store
from tests.toy.bench import DATA, LEDGER, NOW, RESULTS, Bench, answers

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 48 MB of its own."""
    folder = tmp_path / "small"
    folder.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=48m", "none", str(folder)], capture_output=True, check=False
    )
    if done.returncode:
        pytest.skip("no right to mount a tmpfs: the full disk is not tested here")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


@pytest.mark.slow
def test_disk_full_says_so_and_goes_on_when_there_is_room(small_disk: Path, tmp_path: Path) -> None:
    inbox, calm = tmp_path / "inbox", Bench(tmp_path / "calm")
    for day in range(4):
        toy.write(inbox / f"{day}.log", toy.day(toy.T0 + day * 86_400_000_000))
    shutil.copytree(inbox, calm.inbox, dirs_exist_ok=True)
    store = Store.create(small_disk / "store", DATA)
    filler = small_disk / "filler"
    messages = set()
    for free_kb in (40, 150, 700, 1500, 3000):  # so that it runs out in different places
        filler.unlink(missing_ok=True)
        room = os.statvfs(small_disk)
        filler.write_bytes(b"x" * max(0, room.f_bavail * room.f_frsize - free_kb * 1024))
        try:
            run_scan(inbox, store, jobs=0, now=NOW)
        except StoreError as error:
            messages.add(str(error))
    assert messages
    assert all("full" in m or "No space" in m for m in messages), messages
    assert all("Make room" in m for m in messages), messages
    filler.unlink()
    run_scan(inbox, store, jobs=0, now=NOW)
    calm.scan()
    assert answers(store, RESULTS | LEDGER) == answers(calm.store, RESULTS | LEDGER)


def test_lake_gone(bench: Bench) -> None:
    toy.write(bench.inbox / "a.log", toy.stretch(toy.T0, 20))
    bench.scan()
    bench.store.lake.root.rename(bench.folder / "elsewhere")
    with pytest.raises(StoreError, match="the lake is gone"):
        Store.open(bench.store.folder)
    bench.store.lake.root.mkdir()  # an empty mount point is no lake either
    with pytest.raises(StoreError, match="the lake is gone"):
        Store.open(bench.store.folder)
    toy.write(bench.inbox / "b.log", toy.stretch(toy.T0 + 60_000_000, 20))
    with pytest.raises(StoreError, match="the lake is gone"):
        run_scan(bench.inbox, bench.store, jobs=0, now=NOW)
    bench.store.lake.root.rmdir()
    (bench.folder / "elsewhere").rename(bench.store.lake.root)
    bench.scan()
    assert bench.ask("SELECT count(*) FROM logs") == [(2,)]


def test_the_second_scan_says_who_holds_the_store(bench: Bench) -> None:
    with bench.store.lock("a scan"), pytest.raises(BusyError, match=f"in use by a scan, process {os.getpid()} on"):
        bench.scan()
    bench.scan()


def test_a_lock_dies_with_its_process(bench: Bench) -> None:
    code = (
        f"from herdbook.pipeline.store.store import Store; import time\n"
        f"with Store.open({str(bench.store.folder)!r}).lock('a scan'):\n    print('held', flush=True); time.sleep(60)"
    )
    holder = subprocess.Popen([sys.executable, "-c", code], cwd=ROOT, stdout=subprocess.PIPE)
    assert holder.stdout is not None
    holder.stdout.readline()
    with pytest.raises(BusyError, match=f"process {holder.pid}"):
        bench.scan()
    holder.kill()
    holder.wait()
    holder.stdout.close()
    bench.scan()


def test_a_reader_keeps_the_catalogue_it_opened(bench: Bench) -> None:
    toy.write(bench.inbox / "a.log", toy.stretch(toy.T0, 20))
    bench.scan()
    with bench.store.read() as reader:
        toy.write(bench.inbox / "b.log", toy.stretch(toy.T0 + 60_000_000, 20))
        bench.scan()
        assert reader.execute("SELECT count(*) FROM logs").fetchall() == [(1,)]
        assert reader.execute("SELECT count(*) FROM toy.pack").fetchall() == [(200,)]
    assert bench.ask("SELECT count(*) FROM toy.pack") == [(400,)]


def test_published_file_cannot_be_written_by_accident(bench: Bench) -> None:
    toy.write(bench.inbox / "a.log", toy.stretch(toy.T0, 20))
    bench.scan()
    assert bench.store.fleet.stat().st_mode & 0o777 == 0o440
    assert bench.store.catalogue.stat().st_mode & 0o007 == 0
    assert bench.store.lake.root.stat().st_mode & 0o007 == 0


def slow(bench: Bench, **limits: float) -> None:
    bench.store = replace(bench.store, settings=replace(bench.store.settings, **limits))  # type: ignore[arg-type]


def test_a_log_that_stalls_is_put_aside_and_the_others_go_on(bench: Bench) -> None:
    """Reading ten million frames takes longer than the half second that is allowed here."""
    toy.write(bench.inbox / "good.log", toy.stretch(toy.T0, 20))
    hour = gzip.compress("".join(f"{line}\n" for line in toy.stretch(toy.T0, 3600)).encode(), 1)
    (bench.inbox / "stall.log.gz").write_bytes(hour * 100)
    os.utime(bench.inbox / "stall.log.gz", (1_700_000_000, 1_700_000_000))
    slow(bench, log_time_s=0.5)
    result = run_scan(bench.inbox, bench.store, jobs=1, now=NOW)
    assert result.quarantined >= 1
    assert "its reader stalled" in bench.reasons()["stall.log.gz"]


def test_a_log_that_eats_memory_is_put_aside(bench: Bench) -> None:
    toy.write(bench.inbox / "good.log", toy.stretch(toy.T0, 20))
    toy.write(bench.inbox / "fat.log", toy.stretch(toy.T0, 3600))
    slow(bench, log_memory_mb=60.0)
    result = run_scan(bench.inbox, bench.store, jobs=1, now=NOW)
    assert result.quarantined >= 1
    assert "its reader too large" in bench.reasons()["fat.log"]


# versions and settings


def test_an_older_catalogue_is_migrated_and_kept(tmp_path: Path) -> None:
    """A catalogue as the first version laid it down, with a row in it."""
    path = tmp_path / "catalogue.duckdb"
    with duckdb.connect(str(path)) as con:
        con.execute((SCHEMA / "0001_start.sql").read_text())
        con.execute("CREATE TABLE versions (version INTEGER PRIMARY KEY, name VARCHAR NOT NULL)")
        con.execute("INSERT INTO versions VALUES (1, '0001_start')")
        con.execute("INSERT INTO vehicles (vehicle, profile) VALUES ('V-1', 'toy')")
    migrate(path)
    with duckdb.connect(str(path), read_only=True) as con:
        assert con.execute("SELECT vehicle FROM vehicles").fetchall() == [("V-1",)]
        assert con.execute("SELECT max(version) FROM versions").fetchall() == [(steps()[-1][0],)]
        con.execute("SELECT * FROM touched")
    with duckdb.connect(str(tmp_path / "catalogue.before-0002.duckdb"), read_only=True) as con:
        assert con.execute("SELECT max(version) FROM versions").fetchall() == [(1,)]


def test_a_newer_catalogue_is_refused(bench: Bench) -> None:
    with duckdb.connect(str(bench.store.catalogue)) as con:
        con.execute("INSERT INTO versions VALUES (9999, 'future')")
    with pytest.raises(StoreError, match="version 9999, this Herdbook knows up to"):
        Store.open(bench.store.folder)


def test_a_broken_catalogue_says_what_to_do(bench: Bench) -> None:
    bench.store.catalogue.write_bytes(b"not a database" * 1000)
    with pytest.raises(StoreError, match="Put back a copy"):
        Store.open(bench.store.folder)


def test_every_step_of_the_schema_has_a_number_of_its_own() -> None:
    numbers = [n for n, _, _ in steps()]
    assert numbers == sorted(set(numbers))


def test_no_store_and_a_foreign_folder(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="there is no store"):
        Store.open(tmp_path / "none")
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "x.jpg").touch()
    with pytest.raises(StoreError, match="not empty and holds no store"):
        Store.create(tmp_path / "photos")


def test_other_profiles_than_the_stores_own_are_not_passed_over(bench: Bench, tmp_path: Path) -> None:
    Store.create(bench.store.folder, DATA)
    with pytest.raises(SettingsError, match="the store uses the profiles in"):
        Store.create(bench.store.folder, tmp_path)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[take]\nsettle = 1", "[take] settle is not known"),
        ("[take]\nsettle_s = -1", "not a number from 0 up"),
        ("profile = 'x'", "profile is not known"),
        ("zone = 'Mars/Base'", "no time zone"),
        ("paths = ['V-\\d+']", "names no vehicle"),
        ("lake = 's3://me:secret@bucket/x'", "lake holds a user and a password"),
        ("[keep]\ncache = 1", "Known there: parts_days, grace_hours, months_after, cache_gb, check_days"),
        ("paths = ['(']", "is no pattern"),
        ("paths = 5", "paths is not a list of patterns"),
        ("take = 5", "take is no table"),
        ("[judge]\nagain_vehicles = inf", "is no whole number"),
        ("[judge]\nagain_vehicles = nan", "not a number from 0 up"),
        ("profiles = ", "is not TOML"),
    ],
)
def test_settings_say_what_is_wrong(tmp_path: Path, text: str, said: str) -> None:
    (tmp_path / FILE).write_text(text)
    with pytest.raises(SettingsError) as caught:
        read_settings(tmp_path)
    assert said in str(caught.value)


def test_settings_are_read_and_all_are_reachable(tmp_path: Path) -> None:
    (tmp_path / FILE).write_text(
        "zone = 'Europe/Vienna'\n[take]\nsettle_s = 5\n[keep]\nparts_days = 400\n[night]\nx = 1\n"
    )
    settings = read_settings(tmp_path)
    assert (settings.zone, settings.settle_s, settings.parts_days) == ("Europe/Vienna", 5.0, 400.0)
    assert settings.other == {"night": {"x": 1}}
    from herdbook.pipeline.settings import TABLES, TOP

    assert set(known_keys()) == set(TOP).union(*TABLES.values())
    assert read_settings(tmp_path / "none") == Settings()


# the inbox


def test_what_is_no_finished_log_is_left_alone(bench: Bench) -> None:
    good = toy.write(bench.inbox / "good.log", toy.stretch(toy.T0, 5))
    toy.write(bench.inbox / "fresh.log", ["x"], age_s=0)
    for name in (".hidden.log", "copy.log.part", "copy.log.tmp", "good.log.toml", ".git/x.log", "readme.md"):
        toy.write(bench.inbox / name, [])
    (bench.inbox / "link.log").symlink_to("/etc/hostname")
    os.mkfifo(bench.inbox / "pipe.log")
    assert find_logs(bench.inbox) == [good]


def test_a_log_still_being_written_comes_with_the_next_scan(bench: Bench) -> None:
    log = toy.write(bench.inbox / "a.log", toy.stretch(toy.T0, 20), age_s=0)
    assert bench.scan().logs_new == 0
    os.utime(log, (1_700_000_000, 1_700_000_000))
    assert bench.scan().logs_new == 1
