"""Rules look at a vehicle's last [judge] judge_days, by its own newest data; all sessions stay in the store."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import tests.toy.logs as toy
from herdbook.pipeline.assess.plan import plan
from herdbook.pipeline.health.reading import leave_out
from herdbook.pipeline.health.unread import BY_OUR_RULES
from herdbook.pipeline.reports.dossier.limit_test import as_judged
from herdbook.pipeline.reports.facts import one_vehicle
from herdbook.pipeline.reports.record import record_of
from tests.toy.bench import RESULTS, Bench, answers

DAY = 86_400_000_000
RIDES = {
    day: list(toy.stretch(toy.T0 + day * DAY, 40, kmh=12, amps=-12, mode=2, pack_serial=502)) for day in (0, 3, 5, 6)
}


def arrived(folder: Path, order: tuple[int, ...], judge_days: float) -> Bench:
    """A scan after each log."""
    bench = Bench(folder)
    bench.store = replace(bench.store, settings=replace(bench.store.settings, judge_days=judge_days))
    for day in order:
        toy.write(bench.inbox / "TOY-007" / f"{day}.log", RIDES[day])
        bench.scan()
    return bench


def days_of(bench: Bench, table: str) -> set[int]:
    """Days since the first ride that the rules get to see in one of their tables."""
    work = plan(bench.store, ["TOY-007"])[0]
    frame = getattr(work, table)
    first = datetime.fromtimestamp(toy.T0 / 1e6, UTC).date()
    column = {"events": "session_start_t", "messages": "stretch_t"}.get(table, "start_t")
    return {(t.date() - first).days for t in frame[column]}


def test_rules_see_the_last_days_only(tmp_path: Path) -> None:
    whole = arrived(tmp_path / "whole", (0, 3, 5, 6), 400.0)
    short = arrived(tmp_path / "short", (0, 3, 5, 6), 3.5)
    for table in ("sessions", "metrics", "messages"):
        assert days_of(whole, table) == {0, 3, 5, 6}, table
        assert days_of(short, table) == {3, 5, 6}, table
    assert short.ask("SELECT count(*) FROM sessions") == whole.ask("SELECT count(*) FROM sessions")


def test_what_comes_late_from_before_is_measured_and_changes_nothing_else(tmp_path: Path) -> None:
    in_order = arrived(tmp_path / "in order", (0, 3, 5, 6), 3.5)
    backwards = arrived(tmp_path / "backwards", (6, 5, 3, 0), 3.5)
    found, expected = answers(backwards.store, RESULTS), answers(in_order.store, RESULTS)
    for name in RESULTS:
        assert found[name] == expected[name], name


def test_what_a_page_judges_again_is_what_the_scan_judged(tmp_path: Path) -> None:
    bench = arrived(tmp_path, (0, 3, 5, 6), 3.5)
    work = plan(bench.store, ["TOY-007"])[0]
    with bench.store.read() as con:
        facts = one_vehicle(con, "TOY-007", "UTC")
        whole = record_of(facts, bench.store.profiles()[0], [])
        again = as_judged(con, whole, 3.5)
    assert whole.sessions.height > again.sessions.height
    assert again.sessions["start_t"].to_list() == work.sessions.sort("start_t")["start_t"].to_list()
    read = leave_out(again.metrics, "name", BY_OUR_RULES.metrics)
    assert read["start_t"].sort().to_list() == work.metrics["start_t"].sort().to_list()
