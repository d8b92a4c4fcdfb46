"""Views of fleet.duckdb where logs overlap: every frame that was on the wire once, and none left out."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import tests.toy.logs as toy
from herdbook.pipeline.upkeep.merge_and_expire import upkeep
from tests.lake.far import herdbook
from tests.toy.bench import NOW, Bench

HOUR = 3_600_000_000
PACK = " can0 100#"


def ride(serial: int, start: int = toy.T0) -> list[str]:
    return toy.stretch(start, 120, kmh=9, amps=-9, mode=2, serial=serial)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """Vehicle 1: a ride of 120 s uploaded whole, again as two pieces that overlap it, and a third with frames that the
    whole one lacks. Vehicle 2 at the same times, in one log. Vehicle 1 an hour later, in one log, one frame twice."""
    made = Bench(tmp_path_factory.mktemp("once"))
    whole = ride(1)
    toy.write(made.inbox / "whole.log", [line for n, line in enumerate(whole) if n % 50])
    toy.write(made.inbox / "first.log", whole[: len(whole) // 2])
    toy.write(made.inbox / "last.log", whole[len(whole) // 3 :])
    toy.write(made.inbox / "other.log", ride(2))
    later = ride(1, toy.T0 + HOUR)
    toy.write(made.inbox / "later.log", [later[0], *later])
    made.scan()
    return made


def expected() -> dict[str, int]:
    """Lines of the logs as they were written, counted without the store."""
    wire = set(ride(1)) | {"later " + line for line in ride(1, toy.T0 + HOUR)}
    return {"TOY-001": sum(PACK in line for line in wire) + 1, "TOY-002": sum(PACK in line for line in ride(2))}


def counts(bench: Bench) -> dict[str, int]:
    return dict(bench.ask("SELECT vehicle, count(*) FROM toy.pack GROUP BY vehicle"))


def test_each_frame_is_given_once(bench: Bench) -> None:
    assert counts(bench) == expected()
    [(rows, times)] = bench.ask("SELECT count(*), count(DISTINCT t) FROM toy.pack WHERE vehicle = 'TOY-001'")
    assert rows == times + 1  # the frame that its log holds twice


def test_logs_that_overlap_nothing_cost_nothing(bench: Bench) -> None:
    """Their parts are read without a second look; that is what keeps views of a large lake quick."""
    plans = bench.ask("SELECT view_name, sql FROM duckdb_views() WHERE view_name LIKE '\\_parts%' ESCAPE '\\'")
    files = {name: sql.count(".parquet") for name, sql in plans}
    assert files == {"_parts_0": 2, "_parts_0_shared": 3}


def test_the_store_counts_time_once_and_says_that_logs_overlap(bench: Bench) -> None:
    said = herdbook("store", "show", "--store", str(bench.store.folder), "--json")
    shown = json.loads(said.stdout)
    assert shown["hours"] == pytest.approx(3 * 120 / 3600, rel=0.01)
    assert shown["overlapping"] == 2
    assert "counted in both" in herdbook("store", "show", "--store", str(bench.store.folder)).stdout


def test_also_when_parts_are_merged(tmp_path: Path) -> None:
    made = Bench(tmp_path)
    toy.write(made.inbox / "a.log", ride(1)[: len(ride(1)) // 2])
    toy.write(made.inbox / "b.log", ride(1)[len(ride(1)) // 3 :])
    toy.write(made.inbox / "c.log", ride(1, toy.T0 + HOUR))
    made.scan()
    before = counts(made)
    assert upkeep(made.store, NOW).merged_logs == 3
    assert counts(made) == before == {"TOY-001": 2 * sum(PACK in line for line in ride(1))}
