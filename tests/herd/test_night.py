"""The night's figures over hand-made catalogues; what is expected is counted by hand in each test."""

from __future__ import annotations

from datetime import timedelta

import pytest

from herdbook.pipeline.herd import unit_steps as decoding
from herdbook.pipeline.herd.disk import PLACE
from herdbook.pipeline.herd.fingerprint import fingerprint
from herdbook.pipeline.herd.night import intake, newest_night
from herdbook.pipeline.herd.parked import charging_habits, parked
from herdbook.pipeline.herd.runs import forecast, runs
from herdbook.pipeline.herd.score_history import score_history
from herdbook.pipeline.herd.work_on_record import work_on_record
from tests.herd.books import T0, Con, catalogue, closed, insert, installed, log, metric, session, vehicle
from tests.night.tables import stands


@pytest.fixture
def con() -> Con:
    return catalogue()


def test_before_the_first_night_there_is_nothing(con: Con) -> None:
    assert newest_night(con) is None
    assert runs(con) == []
    assert forecast([], 6.0) is None


def test_intake_counts_this_night_alone(con: Con) -> None:
    log(con, "a", 0, received=1)
    closed(con, "s1", 1)
    log(con, "a", 2, received=2.5)  # taken in between two scans: of this night
    log(con, "b", 2, received=3, status="partial", lost_bytes=77, clock_notes=["clock stepped back 3 h at 08:10"])
    closed(con, "s2", 3, logs_known=4)
    insert(con, "touched", vehicle="b", ticket=1)
    night = newest_night(con)
    assert night is not None
    seen = intake(con, night)
    assert (seen.logs, seen.vehicles, seen.known, seen.partial, seen.lost_bytes, seen.waiting) == (2, 2, 4, 1, 77, 1)
    assert [(c["vehicle"], c["notes"]) for c in seen.clocks] == [("b", ["clock stepped back 3 h at 08:10"])]


def test_a_new_dbc_and_a_unit_change_stand_out(con: Con) -> None:
    """Twelve vehicles; in the night their voltages come as tenths, their top speeds as ever."""
    for i in range(12):
        name = vehicle(con, f"V-{i}")
        for day, receive, factor, dbc in ((0, 1, 1.0, "old"), (2, 3, 0.1, "new")):
            key = log(con, name, day, received=receive, network_hash=dbc, frames_known=1000 if day == 0 else 900)
            start = T0 + timedelta(days=day)
            insert(con, "sessions", vehicle=name, start_t=start, end_t=start, kind="ride", logs=[key])
            metric(con, name, "cell_highest_v", (3.3 + 0.01 * i) * factor, day, unit="V")
            metric(con, name, "top_speed_kmh", 24.0 + i % 3 + day, day, unit="km/h")
            metric(con, name, "cell_temp_max_c", 10.0 + 12 * day, day, unit="degC")  # a warm week: 24 K more
        if i == 0:
            closed(con, "s1", 1)
    closed(con, "s2", 3)
    night = newest_night(con)
    assert night is not None
    (network,) = decoding.networks(con, night)
    assert (network["network"], network["is_new"], network["logs"]) == ("new", True, 12)
    assert network["unknown"] == pytest.approx(0.1)
    assert network["unknown_before"] == pytest.approx(0.0)
    by_name = {s.metric: s for s in decoding.steps(con, night)}
    assert by_name["cell_highest_v"].alarm
    assert by_name["cell_highest_v"].now / by_name["cell_highest_v"].before == pytest.approx(0.1, rel=1e-6)
    assert not by_name["top_speed_kmh"].alarm
    assert not by_name["cell_temp_max_c"].alarm


def test_fahrenheit_read_as_celsius_is_a_step(con: Con) -> None:
    rows = [{"before": 20.0 + i, "now": (20.0 + i) * 1.8 + 32, "unit": "degC"} for i in range(6)]
    assert decoding._step("demo", "cell_temp_max_c", rows).alarm


@pytest.mark.parametrize("metric_name", ["pack_soc_end_pct", "soc_end_pct"])  # the second: rows of older stores
def test_parked_near_empty_and_full(con: Con, metric_name: str) -> None:
    for name, soc, days in (("empty", 9.0, 15), ("full", 100.0, 22), ("ridden", 9.0, 3), ("half", 50.0, 90)):
        session(con, name, 100 - days)
        metric(con, name, metric_name, soc, 100 - days, unit="%")
    found = parked(con, T0 + timedelta(days=100), T0 + timedelta(days=130))
    assert [(r["vehicle"], r["state"], round(r["days"])) for r in found] == [
        ("empty", "empty", 45),
        ("full", "full", 52),
    ]


@pytest.mark.parametrize("metric_name", ["pack_soc_end_pct", "soc_end_pct"])
def test_charging_in_the_cold_and_never_to_full(con: Con, metric_name: str) -> None:
    def charge(name: str, day: float, end: float, soc: float, cold: float = 0.0) -> None:
        session(con, name, day, "charge")
        metric(con, name, "charge_end", end, day)
        metric(con, name, metric_name, soc, day, unit="%")
        metric(con, name, "cold_charge_ah", cold, day, unit="Ah")

    for name in ("never", "full", "few", "cold", "long ago"):
        vehicle(con, name, last=T0 + timedelta(days=100))
    for day in (60, 70, 80, 90):
        charge("never", day, 3, 90.0)
        charge("full", day, 0 if day == 80 else 3, 100.0 if day == 80 else 90.0)
    for day in (80, 90):
        charge("few", day, 3, 80.0)
    charge("cold", 95, 0, 100.0, cold=1.5)
    charge("long ago", 5, 0, 100.0, cold=1.5)
    found = {r["vehicle"]: r for r in charging_habits(con)}
    assert set(found) == {"never", "cold"}
    assert (found["never"]["charges"], found["never"]["full"], found["never"]["highest"]) == (4, 0, 90.0)
    assert found["cold"]["cold_ah"] == 1.5


def test_the_forecast_takes_the_slowest_large_run(con: Con) -> None:
    """Runs of 2, 100 and 80 logs in 60, 600 and 960 s: pace 30, 6 and 12 s; the small one pays the start alone."""
    for name, day, logs, minutes in (("1", 0, 2, 1), ("2", 1, 100, 10), ("3", 2, 80, 16), ("4", 3, 0, 5)):
        closed(con, name, day, minutes, logs_new=logs)
    insert(con, "scans", scan="5", started_t=T0 + timedelta(days=4), state="failed")
    insert(con, "scan_steps", scan="3", step="take", seconds=30.0)
    found = runs(con)
    assert [r["scan"] for r in found] == ["5", "4", "3", "2", "1"]
    assert found[0]["seconds"] is None
    assert found[2]["steps"] == {"take": 30.0}
    f = forecast(found, 0.3)
    assert f is not None
    assert (f.seconds_a_log, f.worst_a_log, f.most_logs, f.longest_s, f.runs) == (12.0, 12.0, 100, 1200.0, 3)
    assert not f.fits  # 0.3 h are 1080 s
    again = forecast(found, 0.5)
    assert again is not None
    assert again.fits


def test_scores_stand_until_changed_and_a_killed_scan_counts_from_the_next(con: Con) -> None:
    for i in range(1, 5):
        insert(con, "scans", scan=f"s{i}", started_t=T0, state="failed" if i == 2 else "complete")
    for scan, score in (("s1", 100.0), ("s2", 60.0), ("s4", None)):
        insert(con, "score_log", scan=scan, vehicle="a", subsystem="cells", score=score)
    insert(con, "score_log", scan="s3", vehicle="b", subsystem="cells", score=40.0)
    assert score_history(con) == {("a", "cells"): [100.0, 60.0, None], ("b", "cells"): [None, 40.0, 40.0]}
    assert score_history(con, last=2) == {("a", "cells"): [60.0, None], ("b", "cells"): [40.0, 40.0]}


def test_the_fingerprint_follows_answers_and_not_their_order() -> None:
    one, two = catalogue(), catalogue()
    for con, order in ((one, ("a", "b")), (two, ("b", "a"))):
        for name in order:
            stands(con, name, "r", "service")
    assert fingerprint(one) == fingerprint(two)
    two.execute("UPDATE findings SET measured = 1e-9 WHERE vehicle = 'a'")
    assert fingerprint(one) != fingerprint(two)


def test_gone_after_work_or_without(con: Con) -> None:
    session(con, "benched", 95, "bench")
    for day, serial in ((0, "P-1"), (90, "P-2")):
        installed(con, "swapped", "pack", serial, day)
    session(con, "long ago", 10, "bench")
    told = work_on_record(con, ["benched", "swapped", "long ago", "never"], T0 + timedelta(days=100))
    assert told["benched"] == "a bench session on 2026-06-04"
    assert told["swapped"] == "another pack on 2026-05-30"
    assert told["never"] == told["long ago"] == "no work on record in the last 30 days"


@pytest.mark.parametrize("name", ["GPS_Lat", "Latitude", "gps_fix", "pos_lon", "WheelLat", "lat", "GnssSpeed"])
def test_names_of_positions_are_noticed(name: str) -> None:
    assert PLACE.search(name)


@pytest.mark.parametrize("name", ["RotorPosition", "Plateau_V", "latch_state", "Latched", "long_term_fuel", "Lonely"])
def test_other_names_are_not(name: str) -> None:
    assert not PLACE.search(name)
