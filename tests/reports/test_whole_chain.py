"""From logs on disk to pages, through the real intake, lake and catalogue: small logs written with struct alone."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest

import tests.toy.logs as toy
from herdbook.pipeline.errors import NotKnownError
from herdbook.pipeline.reports import gather, verify_history, write_dossier, write_fleet, write_history, write_signals
from herdbook.pipeline.times import from_micros
from herdbook.pipeline.upkeep.merge_and_expire import upkeep
from tests.toy.bench import NOW, Bench

HOUR = 3_600_000_000


@pytest.fixture(autouse=True, scope="module")
def made_up_lake() -> None:
    """Here the lake itself answers."""


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    made = Bench(tmp_path_factory.mktemp("chain"))
    toy.write(made.inbox / "a.log", toy.day())
    toy.write(
        made.inbox / "b.log", [*toy.stretch(toy.T0 + 26 * HOUR, 10), toy.pack(toy.T0 + 27 * HOUR, 12.34, -5.6, 77.5, 2)]
    )
    made.scan()
    return made


def test_every_page_is_written_and_the_history_matches(bench: Bench, tmp_path: Path) -> None:
    assert "TOY-007" in write_dossier(bench.store, "TOY-007", tmp_path).read_text("utf-8")
    assert write_fleet(bench.store, tmp_path / "site").stat().st_size > 10_000
    for fmt in ("html", "csv", "json"):
        found = verify_history(bench.store, write_history(bench.store, "TOY-007", tmp_path, fmt))
        assert found.ok, found.as_dict()


def test_a_history_still_matches_after_a_scan_that_changed_nothing(bench: Bench, tmp_path: Path) -> None:
    """Only the name of the newest scan is another; a history written now says so and is signed as well."""
    paths = [write_history(bench.store, "TOY-007", tmp_path, fmt) for fmt in ("html", "csv", "json")]
    before = paths[2].read_text("utf-8")
    bench.scan()
    for path in paths:
        found = verify_history(bench.store, path)
        assert found.ok, found.as_dict()
    assert write_history(bench.store, "TOY-007", tmp_path / "again.json", "json").read_text("utf-8") != before


def test_the_history_holds_what_the_logs_hold(bench: Bench, tmp_path: Path) -> None:
    """The first log is a rest of 60 s, a ride of 240 s, a rest of 240 s and a charge of 180 s, as written."""
    said = write_history(bench.store, "TOY-007", tmp_path, "json").read_text("utf-8")
    assert "1 ride on record, 4 min in all" in said
    assert "1 charge on record, 3 min in all" in said
    assert "Pack 501 was seen from 2026-03-01 to 2026-03-02" in said


def test_raw_signals_are_what_was_written(bench: Bench, tmp_path: Path) -> None:
    start = toy.T0 + 26 * HOUR
    wires = gather(bench.store, "TOY-007", ["Pack.Volt", "pack_current", "Ident.Serial"], start, start + 2 * HOUR)
    by_name = {w.name: w for w in wires}
    assert by_name["Pack.Volt"].v[-1] == pytest.approx(12.34)
    assert by_name["Pack.Volt"].t[-1] == toy.T0 + 27 * HOUR
    assert len(by_name["Pack.Volt"].t) == 101
    assert by_name["pack_current"].v[-1] == pytest.approx(5.6)  # the profile turns the sign
    assert by_name["Ident.Serial"].v.dtype.kind in "iu"
    path = write_signals(
        bench.store, "TOY-007", ["Pack.Volt", "bms_state"], start, start + HOUR // 2, tmp_path / "w.csv"
    )
    table = pl.read_csv(path)
    assert table["t"][0] == "2026-03-02T10:00:00.000000Z"
    assert set(table["bms_state"].drop_nulls()) == {"idle"}


def test_an_unknown_raw_signal_gets_near_names(bench: Bench) -> None:
    with pytest.raises(NotKnownError, match=r"Near names: .*Pack\.Volt"):
        gather(bench.store, "TOY-007", ["Pack.Vlot"], toy.T0, toy.T0 + HOUR)


def test_a_history_still_matches_after_parts_were_merged(bench: Bench, tmp_path: Path) -> None:
    path = write_history(bench.store, "TOY-007", tmp_path)
    assert upkeep(bench.store, NOW).merged_logs == 2
    upkeep(bench.store, NOW + 49 * HOUR)  # the old files are deleted after their grace
    found = verify_history(bench.store, path)
    assert found.ok, found.as_dict()
    assert "2 of 2 logs since merged" in found.checks[2].detail


def test_a_date_before_the_logs_came_in_knows_nothing(bench: Bench, tmp_path: Path) -> None:
    before = from_micros(NOW) - timedelta(days=1)
    said = write_history(bench.store, "TOY-007", tmp_path, "json", as_of=before).read_text("utf-8")
    assert '"logs": []' in said
    assert "Pack 501" not in said


def test_the_zone_is_the_sidecars_else_the_profiles_else_the_stores(tmp_path: Path) -> None:
    """data/toy.toml says Europe/Vienna; a sidecar that says otherwise wins, also over logs that came in later."""
    made = Bench(tmp_path)
    toy.write(made.inbox / "a.log", toy.stretch(toy.T0, 20))
    made.scan()
    assert made.ask("SELECT zone FROM vehicles") == [("Europe/Vienna",)]
    log = toy.write(made.inbox / "b.log", toy.stretch(toy.T0 + HOUR, 20))
    log.with_name(log.name + ".toml").write_text('zone = "Australia/Sydney"\n')
    toy.write(made.inbox / "c.log", toy.stretch(toy.T0 + 2 * HOUR, 20))
    made.scan()
    assert made.ask("SELECT zone FROM vehicles") == [("Australia/Sydney",)]
    assert '"zone": "Australia/Sydney"' in write_history(made.store, "TOY-007", tmp_path, "json").read_text("utf-8")
