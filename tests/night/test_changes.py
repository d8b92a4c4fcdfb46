"""The change list over hand-made catalogues: order, netting over killed scans, exit codes, hostile names."""

from __future__ import annotations

import json
from datetime import timedelta

import duckdb
import pytest

from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.night.changes import NOTHING, QUARANTINED, SERVICE_NEWS, STOP_USE_NEWS, ChangeList
from herdbook.pipeline.night.close import close_night
from herdbook.pipeline.night.read_changes import net_change, read_changes
from tests.night.tables import T0, catalogue, insert, log, logged, scan, session, stands

Con = duckdb.DuckDBPyConnection


@pytest.fixture
def con() -> Con:
    return catalogue()


def told(con: Con, by: str, day: float = 400, **more: float) -> ChangeList:
    close_night(con, by, T0 + timedelta(days=day))
    found = read_changes(con, by, now=T0 + timedelta(days=day), **more)
    assert found is not None
    return found


def test_a_catalogue_without_a_night_has_no_list(con: Con) -> None:
    assert read_changes(con) is None


def test_stop_use_comes_first_and_good_news_last(con: Con) -> None:
    scan(con, "s1", 0)
    for vehicle, change, severity, before in (
        ("a", "better", "note", "service"),
        ("b", "new", "service", None),
        ("c", "gone", "service", "service"),
        ("d", "worse", "stop-use", "service"),
        ("e", "new", "note", None),
        ("f", "new", "stop-use", None),
    ):
        logged(con, "s1", vehicle, "r", change, severity, before)
    found = told(con, "s1")
    assert [c.vehicle for c in found.changes] == ["f", "d", "b", "e", "a", "c"]
    assert found.rows()[1][1] == "service -> stop-use"


def test_standing_stop_use_heads_the_list_but_is_no_news(con: Con) -> None:
    scan(con, "s1", 0)
    stands(con, "a", "r", "stop-use")
    found = told(con, "s1")
    assert [s.vehicle for s in found.stop_use] == ["a"]
    assert found.headline().startswith("STOP USE: 1 vehicle.")
    assert found.exit_code == NOTHING


@pytest.mark.parametrize(
    ("severity", "refused", "code"),
    [
        ("stop-use", True, STOP_USE_NEWS),
        ("service", True, SERVICE_NEWS),
        ("note", True, QUARANTINED),
        ("note", False, NOTHING),
    ],
)
def test_the_most_urgent_news_gives_the_exit_code(con: Con, severity: str, refused: bool, code: int) -> None:
    scan(con, "s1", 0)
    logged(con, "s1", "a", "r", "new", severity)
    if refused:
        insert(con, "quarantine", log="x", name="x.log", reason="empty", first_t=T0, last_t=T0)
    assert told(con, "s1").exit_code == code


@pytest.mark.parametrize(("change", "before"), [("better", "stop-use"), ("gone", "service")])
def test_good_news_calls_nobody(con: Con, change: str, before: str) -> None:
    scan(con, "s1", 0)
    logged(con, "s1", "a", "r", change, "service", before)
    assert told(con, "s1").exit_code == NOTHING


def test_what_a_killed_scan_found_is_told_by_the_next_one_and_only_once(con: Con) -> None:
    scan(con, "killed", 0, state="running")
    logged(con, "killed", "a", "r", "new", "stop-use")
    scan(con, "s2", 0)
    found = told(con, "s2")
    assert found.covers == ("killed", "s2")
    assert [(c.vehicle, c.change) for c in found.changes] == [("a", "new")]
    scan(con, "s3", 1)
    assert told(con, "s3").changes == ()


def test_a_clock_set_back_between_two_nights_changes_neither_order_nor_content(con: Con) -> None:
    scan(con, "s1", 10)
    logged(con, "s1", "a", "r", "new", "service")
    told(con, "s1")
    scan(con, "s2", 2)  # eight days earlier by the clock
    logged(con, "s2", "b", "r", "new", "service")
    assert [c.vehicle for c in told(con, "s2").changes] == ["b"]
    newest = read_changes(con, now=T0)
    assert newest is not None
    assert newest.scan == "s2"


def test_steps_within_one_night_are_netted(con: Con) -> None:
    scan(con, "k", 0, state="failed")
    scan(con, "s", 0)
    logged(con, "k", "came-and-went", "r", "new", "service")
    logged(con, "s", "came-and-went", "r", "gone", "service", "service")
    logged(con, "k", "two-steps", "r", "worse", "service", "note")
    logged(con, "s", "two-steps", "r", "worse", "stop-use", "service")
    found = told(con, "s")
    assert [(c.vehicle, c.change, c.before, c.severity) for c in found.changes] == [
        ("two-steps", "worse", "note", "stop-use")
    ]


@pytest.mark.parametrize("before", Severity)
@pytest.mark.parametrize("after", Severity)
def test_direction_follows_the_severity_scale(before: str, after: str) -> None:
    """DESIGN of the scale itself is the outside reference: note < service < stop-use."""
    scale = {"note": 1, "service": 2, "stop-use": 3}
    expected = "worse" if scale[after] > scale[before] else "better" if scale[after] < scale[before] else "kept"
    assert net_change(before, after, "kept") == expected


def test_gone_because_the_sensor_died_is_not_called_repaired(con: Con) -> None:
    scan(con, "s", 0)
    logged(con, "s", "a", "hot", "gone", "service", "service", "no longer assessed: no winding temperature")
    insert(con, "not_assessed", vehicle="a", rule="hot", reason="no winding temperature")
    logged(con, "s", "b", "hot", "gone", "service", "service", "no longer found; it was: winding 141 degC")
    reasons = {c.vehicle: c.reason for c in told(con, "s").changes}
    assert reasons["a"] == "no longer assessed: no winding temperature; that is no repair"
    assert reasons["b"] == "no longer found; it was: winding 141 degC"


def test_vehicles_are_first_seen_once(con: Con) -> None:
    scan(con, "s1", 0)
    log(con, "a", 0)
    assert [(c.change, c.vehicle) for c in told(con, "s1").changes] == [("first seen", "a")]
    scan(con, "s2", 1)
    log(con, "a", 1)
    log(con, "b", 1)
    assert [(c.change, c.vehicle) for c in told(con, "s2").changes] == [("first seen", "b")]


def ride_daily(con: Con, vehicle: str, days: range) -> None:
    for day in days:
        log(con, vehicle, day)
        session(con, vehicle, day)


def test_silence_is_told_once_and_its_end_once(con: Con) -> None:
    scan(con, "s1", 10)
    ride_daily(con, "steady", range(10))
    ride_daily(con, "stops", range(10))
    assert {c.change for c in told(con, "s1").changes} == {"first seen"}
    scan(con, "s2", 13)
    ride_daily(con, "steady", range(10, 14))
    silent = told(con, "s2", 13.1).changes
    assert [(c.change, c.vehicle) for c in silent] == [("silent", "stops")]
    assert silent[0].reason.startswith("no log for 4 days up to 2026-03-14; nine of ten gaps")
    scan(con, "s3", 14)
    ride_daily(con, "steady", range(14, 15))
    assert told(con, "s3").changes == ()
    scan(con, "s4", 16)
    ride_daily(con, "steady", range(15, 17))
    ride_daily(con, "stops", range(16, 17))
    back = told(con, "s4").changes
    assert [(c.change, c.vehicle) for c in back] == [("back", "stops")]
    assert "after 7 days of silence" in back[0].reason
    scan(con, "s5", 17)
    assert told(con, "s5").changes == ()


@pytest.mark.parametrize(
    ("component", "what"),
    [(None, "ridden again after a bench session"), ("pack", "ridden again after another pack (P2)")],
)
def test_back_from_service(con: Con, component: str | None, what: str) -> None:
    scan(con, "s1", 1)
    ride_daily(con, "a", range(2))
    insert(con, "installs", vehicle="a", component="pack", serial="P1", from_t=T0, to_t=T0)
    told(con, "s1")
    scan(con, "s2", 5)
    if component is None:
        session(con, "a", 3, "bench")
    else:
        insert(
            con,
            "installs",
            vehicle="a",
            component=component,
            serial="P2",
            from_t=T0 + timedelta(days=3),
            to_t=T0 + timedelta(days=5),
        )
    assert told(con, "s2").changes == ()  # work done, not ridden yet
    scan(con, "s3", 6)
    ride_daily(con, "a", range(5, 7))
    assert [(c.change, c.reason) for c in told(con, "s3").changes] == [("back", what)]
    scan(con, "s4", 7)
    assert told(con, "s4").changes == ()


def test_a_logger_set_to_the_future_does_not_silence_the_fleet(con: Con) -> None:
    scan(con, "s1", 10)
    ride_daily(con, "a", range(10))
    log(con, "future", 4000)
    assert "silent" not in {c.change for c in told(con, "s1").changes}


def test_silence_counts_to_the_day_of_the_scan(con: Con) -> None:
    """Not to the fleet's newest record: on day 12 a daily rider of day 9 is away three days, whoever rode last."""
    scan(con, "s1", 10)
    ride_daily(con, "a", range(10))
    ride_daily(con, "b", range(12))
    found = told(con, "s1", 12)  # b's last log is of the day before
    assert [(c.change, c.vehicle) for c in found.changes if c.change == "silent"] == [("silent", "a")]
    assert found.fleet_quiet == ""


def test_a_fleet_that_stands_still_for_a_month_is_one_sentence_and_not_forty_silent_vehicles(con: Con) -> None:
    scan(con, "s1", 10)
    for k in range(40):
        ride_daily(con, f"v{k:02d}", range(10))
    assert told(con, "s1", 9.5).fleet_quiet == ""
    for night, day in enumerate((11, 15, 40), start=2):
        found = told(con, scan(con, f"s{night}", day), day)
        assert found.changes == ()
        assert found.exit_code == NOTHING
        assert found.fleet_quiet.startswith(f"No vehicle has left a log for {day - 10} day")
        assert "the newest record is of 2026-03-10 07:00 UTC" in found.fleet_quiet
    ride_daily(con, "v00", range(41, 42))
    after = told(con, scan(con, "s6", 41), 41.2)
    assert after.fleet_quiet == ""
    assert sum(c.change == "silent" for c in after.changes) == 39  # uploads work again, and the others are away


@pytest.mark.parametrize(("quiet_days", "code"), [(None, NOTHING), (3.0, SERVICE_NEWS), (500.0, NOTHING)])
def test_a_fleet_without_any_upload_is_one_line(con: Con, quiet_days: float | None, code: int) -> None:
    scan(con, "s1", 0)
    log(con, "a", 0)
    close_night(con, "s1", T0 + timedelta(days=400))
    found = read_changes(con, "s1", quiet_days, T0 + timedelta(days=400))
    assert found is not None
    assert found.exit_code == code
    assert found.fleet_quiet.startswith("No vehicle has left a log for 399 days")


def test_closing_twice_changes_nothing(con: Con) -> None:
    scan(con, "s1", 0)
    log(con, "a", 0)
    once = told(con, "s1")
    assert told(con, "s1") == once


def test_the_list_is_json_and_keeps_hostile_text_as_text(con: Con) -> None:
    scan(con, "s1", 0)
    name = "'; DROP TABLE logs; -- <script>alert(1)</script> \x1b[2J"
    log(con, name, 0)
    logged(con, "s1", name, "r", "new", "service", statement=name)
    back = json.loads(json.dumps(told(con, "s1").as_dict()))
    assert {c["vehicle"] for c in back["changes"]} == {name}
    assert back["exit_code"] == SERVICE_NEWS
    assert con.execute("SELECT count(*) FROM logs").fetchall() == [(1,)]
