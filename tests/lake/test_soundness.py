"""A bit that flips in a local part is noticed before a number of it is shown: by Python, SQL and an assessment."""

from __future__ import annotations

import json
import os
import random
import shutil
import time
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

import tests.toy.logs as toy
from herdbook.pipeline.cli import build, damaged_or_ours
from herdbook.pipeline.errors import DamagedPartError, StoreError
from herdbook.pipeline.lake.open import lake_of
from herdbook.pipeline.lake.part import file_hash
from herdbook.pipeline.lake.read import load_signals
from herdbook.pipeline.lake.soundness import FILE
from herdbook.pipeline.night.again import mark
from herdbook.pipeline.night.scan import run_scan
from herdbook.pipeline.store.publish import vouch_for
from tests.toy.bench import NOW, Bench, answers

COUNT = "SELECT count(*), sum(volt) FROM toy.pack"
EVER = (0, 2**61)


@pytest.fixture
def one(bench: Bench) -> Bench:
    toy.write(bench.inbox / "a.log", toy.stretch(toy.T0, 20))
    bench.scan()
    return bench


def part(bench: Bench) -> Path:
    (found,) = bench.store.lake.root.rglob("*.parquet")
    return found


def flip(path: Path, at: int, bit: int = 0) -> None:
    """One bit, and the file's time is as before."""
    about, raw = path.stat(), bytearray(path.read_bytes())
    raw[at] ^= 1 << bit
    path.write_bytes(bytes(raw))
    os.utime(path, ns=(about.st_atime_ns, about.st_mtime_ns))


def asked(bench: Bench) -> None:
    with bench.store.read() as con:
        vouch_for(bench.store, con, COUNT)


@pytest.mark.slow
def test_every_flip_is_noticed_by_python_and_by_sql(one: Bench) -> None:
    """A hundred places, in pages, page headers and the footer alike; none is read as data."""
    asked(one)  # all is well, and is remembered to be
    path, rng = part(one), random.Random(5)
    whole = path.read_bytes()
    for _ in range(100):
        flip(path, rng.randrange(len(whole)), rng.randrange(8))
        with pytest.raises(DamagedPartError):
            load_signals(one.store, "TOY-007", *EVER)
        with pytest.raises(DamagedPartError):
            asked(one)
        path.write_bytes(whole)
    asked(one)
    assert load_signals(one.store, "TOY-007", *EVER).data


def test_a_profile_that_is_gone_by_now_hides_no_flip(one: Bench) -> None:
    """What is published is compared by what the catalogue names; no profile is needed to ask."""
    one.store = replace(one.store, settings=replace(one.store.settings, profiles="gone"))
    asked(one)
    flip(part(one), 300)
    with pytest.raises(DamagedPartError):
        asked(one)


def test_the_query_verb_names_the_remedy(one: Bench) -> None:
    flip(part(one), 300)
    computed = "SELECT count(*) FROM query_table('to' || 'y.pack')"
    for sql in (COUNT, computed):
        done = CliRunner().invoke(build(), ["query", sql, "--store", str(one.store.folder)])
        assert isinstance(done.exception, DamagedPartError)
        assert "herdbook store check --repair" in str(done.exception)
    assert CliRunner().invoke(build(), ["query", "FROM vehicles", "--store", str(one.store.folder)]).exit_code == 0


def test_a_damaged_catalogue_is_told_as_such(one: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    path, whole = one.store.fleet, one.store.fleet.read_bytes()
    path.chmod(0o600)
    at = whole.index(b"TOY-007", 3 * 4096)  # in a block of a table, past the headers of the file
    flip(path, at)
    app = build()
    done = CliRunner().invoke(app, ["query", "FROM logs", "--store", str(one.store.folder)])
    assert isinstance(done.exception, StoreError)
    assert "herdbook store publish" in str(done.exception)
    done = CliRunner().invoke(app, ["fleet", "--store", str(one.store.folder)])
    assert damaged_or_ours(done.exception) == 5  # type: ignore[arg-type]
    assert "is damaged: a checksum is wrong" in capsys.readouterr().err.replace("\n", " ")


def test_assessing_again_commits_nothing_from_a_damaged_part(one: Bench) -> None:
    before = answers(one.store, {"metrics": "SELECT * FROM metrics ORDER BY ALL"})
    flip(part(one), 300)
    lake_of.cache_clear()  # as the next night, in a new process
    mark(one.store)
    done = run_scan(one.inbox, one.store, jobs=0, now=NOW)
    assert list(done.failed) == ["TOY-007"]
    assert answers(one.store, {"metrics": "SELECT * FROM metrics ORDER BY ALL"}) == before


def test_what_was_compared_is_not_read_again_until_it_is_due(one: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    read: list[Path] = []

    def noted(path: Path) -> str:
        read.append(path)
        return file_hash(path)

    monkeypatch.setattr("herdbook.pipeline.lake.soundness.file_hash", noted)
    for expected in (1, 1):
        lake_of.cache_clear()
        asked(one)
        assert len(read) == expected
    now = time.time()
    monkeypatch.setattr(time, "time", lambda: now + 8 * 86_400)  # [keep] check_days is 7
    lake_of.cache_clear()
    asked(one)
    assert len(read) == 2
    monkeypatch.setattr(time, "time", lambda: now - 86_400)  # a clock that was set back proves nothing
    lake_of.cache_clear()
    asked(one)
    assert len(read) == 3


def test_a_memory_of_checks_that_is_damaged_only_costs_time(one: Bench) -> None:
    asked(one)
    (one.store.folder / FILE).write_bytes(b"no database" * 500)
    lake_of.cache_clear()
    asked(one)
    flip(part(one), 300)
    with pytest.raises(DamagedPartError):
        asked(one)


def test_a_missing_part_is_named(one: Bench) -> None:
    part(one).unlink()
    with pytest.raises(DamagedPartError, match="missing"):
        asked(one)


@pytest.mark.parametrize("name", ["s[12]", "s*", "x{1,2}", "quote's"])
def test_a_store_whose_path_looks_like_a_pattern_reads_its_own_lake(tmp_path: Path, name: str) -> None:
    """Its neighbour's folder would match: s1, sX, aXb."""
    bench = Bench(tmp_path / name)
    toy.write(bench.inbox / "a.log", toy.stretch(toy.T0, 20))
    bench.scan()
    for neighbour in ("s1", "sX", "aXb", "a\\Xb", "x1"):
        shutil.copytree(tmp_path / name, tmp_path / neighbour)
    assert bench.ask("SELECT count(*) FROM toy.pack") == [(200,)]
    asked = ["query", "SELECT count(*) AS n FROM toy.pack", "--store", str(bench.store.folder), "--json"]
    assert json.loads(CliRunner().invoke(build(), asked).stdout) == [{"n": 200}]


def test_a_path_that_sql_cannot_name_is_refused_at_the_start(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="cannot lie in a folder with"):
        Bench(tmp_path / "a\\*b")
