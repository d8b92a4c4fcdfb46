"""Mutes: what they keep quiet, what breaks through, how they end, and that nobody can mute danger or everything.

Expected outcomes follow from the rules stated at the head of pipeline/night/mutes.py and from the calendar.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta

import pytest

from herdbook.pipeline.errors import NotKnownError, SettingsError
from herdbook.pipeline.night import mutes
from herdbook.pipeline.night.changes import NOTHING, SERVICE_NEWS, STOP_USE_NEWS, ChangeList
from herdbook.pipeline.night.close import close_night
from herdbook.pipeline.night.read_changes import last_night, read_changes
from herdbook.pipeline.store.connection import connect, transaction
from herdbook.pipeline.store.migrations import migrate
from tests.night.tables import T0, insert, logged, scan, stands
from tests.toy.bench import Bench

UNTIL = date(2026, 3, 20)


def night(bench: Bench, name: str, day: int, *entries: tuple[str, str, str, str, str | None]) -> ChangeList:
    """A scan on a day after T0 that logged (vehicle, rule, change, severity, severity before); its change list."""
    with transaction(bench.store.catalogue) as con:
        scan(con, name, day)
        for vehicle, rule, change, severity, before in entries:
            logged(con, name, vehicle, rule, change, severity, before)
        close_night(con, name, T0 + timedelta(days=400))
    found = last_night(bench.store, scan=name)
    assert found is not None
    return found


def standing(bench: Bench, vehicle: str, rule: str, severity: str = "service", item: str = "") -> None:
    with transaction(bench.store.catalogue) as con:
        con.execute("DELETE FROM findings WHERE vehicle = ? AND rule = ? AND item = ?", [vehicle, rule, item])
        if item:
            insert(
                con,
                "findings",
                finding=f"{vehicle}/{rule}/{item}",
                vehicle=vehicle,
                rule=rule,
                item=item,
                severity=severity,
                statement="speaks",
            )
        else:
            stands(con, vehicle, rule, severity)


def hush(bench: Bench, rule: str = "r", until: date = UNTIL, **more: object) -> list[mutes.Mute]:
    given = {"item": None, "now": T0 + timedelta(days=1)} | more
    return mutes.mute(bench.store, "a", rule, until, "night desk", "part is ordered", **given)  # type: ignore[arg-type]


def test_a_muted_finding_is_not_told_and_calls_nobody_but_is_counted(bench: Bench) -> None:
    standing(bench, "a", "r")
    assert night(bench, "s1", 0, ("a", "r", "new", "service", None)).exit_code == SERVICE_NEWS
    hush(bench)
    told = night(bench, "s2", 2, ("a", "r", "worse", "service", "service"), ("b", "r", "new", "note", None))
    assert [c.vehicle for c in told.changes] == ["b"]
    assert told.exit_code == NOTHING
    assert [c.vehicle for c in told.muted] == ["a"]
    assert "night desk until 2026-03-21 00:00 UTC: part is ordered" in told.muted[0].reason
    assert told.headline().endswith("; 1 muted.")


def test_it_stays_in_the_published_findings(bench: Bench) -> None:
    standing(bench, "a", "r")
    hush(bench)
    assert bench.ask("SELECT f.rule, m.made_by FROM findings f JOIN mutes m USING (vehicle, rule, item)") == [
        ("r", "night desk")
    ]


@pytest.mark.parametrize(("change", "code"), [("service", SERVICE_NEWS), ("stop-use", STOP_USE_NEWS)])
def test_a_graver_finding_breaks_through(bench: Bench, change: str, code: int) -> None:
    standing(bench, "a", "r", "note")
    night(bench, "s1", 0)
    hush(bench)
    told = night(bench, "s2", 2, ("a", "r", "worse", change, "note"))
    assert [c.severity for c in told.changes] == [change]
    assert told.exit_code == code
    assert told.muted == ()


def test_stop_use_cannot_be_muted_and_nothing_is_written(bench: Bench) -> None:
    standing(bench, "a", "r", "service", "left")
    standing(bench, "a", "r", "stop-use", "right")
    with pytest.raises(SettingsError, match="stop-use finding cannot be muted"):
        hush(bench)
    assert mutes.listed(bench.store, all_of_them=True) == []


def test_only_what_stands_is_muted_so_a_new_item_is_news(bench: Bench) -> None:
    standing(bench, "a", "r", item="cell 7")
    night(bench, "s1", 0)
    assert [m.item for m in hush(bench)] == ["cell 7"]
    with transaction(bench.store.catalogue) as con:
        scan(con, "s2", 2)
        for item in ("cell 7", "cell 8"):
            insert(
                con,
                "finding_log",
                scan="s2",
                vehicle="a",
                rule="r",
                item=item,
                change="new",
                severity="service",
                statement="said so",
            )
        close_night(con, "s2", T0 + timedelta(days=400))
    told = last_night(bench.store, scan="s2")
    assert told is not None
    assert [c.item for c in told.changes] == ["cell 8"]
    with pytest.raises(NotKnownError, match="Only what stands can be muted"):
        hush(bench, rule="another")


def test_when_its_day_is_over_it_is_news_once(bench: Bench) -> None:
    standing(bench, "a", "r")
    night(bench, "s1", 0)
    hush(bench, until=date(2026, 3, 5))  # T0 is 1 March: the 5th counts in full
    assert night(bench, "s2", 4).changes == ()  # 5 March
    told = night(bench, "s3", 5)
    assert [(c.change, c.severity) for c in told.changes] == [("unmuted", "service")]
    assert "ended on 2026-03-06" in told.changes[0].reason
    assert told.exit_code == SERVICE_NEWS
    assert night(bench, "s4", 6).changes == ()
    again = last_night(bench.store, scan="s3")  # read again later: the same list
    assert again is not None
    assert again.changes == told.changes


def test_what_is_gone_when_the_mute_ends_is_not_told_again_but_going_is_told(bench: Bench) -> None:
    standing(bench, "a", "r")
    night(bench, "s1", 0)
    hush(bench, until=date(2026, 3, 5))
    with transaction(bench.store.catalogue) as con:
        con.execute("DELETE FROM findings")
    assert [c.change for c in night(bench, "s2", 3, ("a", "r", "gone", "service", "service")).changes] == ["gone"]
    assert night(bench, "s3", 10).changes == ()


def test_a_lifted_mute_is_news_and_stays_in_the_history(bench: Bench) -> None:
    standing(bench, "a", "r")
    night(bench, "s1", 0)
    hush(bench)
    mutes.lift(bench.store, "a", "r", "day desk", "part is in", now=T0 + timedelta(days=3))
    assert [c.change for c in night(bench, "s2", 4).changes] == ["unmuted"]
    (kept,) = mutes.listed(bench.store, all_of_them=True)
    assert (kept.by, kept.lifted_by, kept.lifted_why) == ("night desk", "day desk", "part is in")
    assert mutes.listed(bench.store, now=T0 + timedelta(days=4)) == []
    with pytest.raises(NotKnownError):
        mutes.lift(bench.store, "a", "r", "day desk", "again", now=T0 + timedelta(days=5))


def test_a_longer_mute_outlives_a_shorter_one(bench: Bench) -> None:
    standing(bench, "a", "r")
    night(bench, "s1", 0)
    hush(bench, until=date(2026, 3, 5))
    hush(bench, until=date(2026, 3, 9))
    assert night(bench, "s2", 6).changes == ()
    assert [c.change for c in night(bench, "s3", 10).changes] == ["unmuted"]


@pytest.mark.parametrize(
    ("until", "by", "why", "said"),
    [
        (date(2026, 3, 1), "x", "y", "is over"),
        (date(2026, 9, 1), "x", "y", "more than 92 days away"),
        (UNTIL, " ", "y", "a name and a reason"),
        (UNTIL, "x", "", "a name and a reason"),
    ],
)
def test_senseless_mutes_are_refused(bench: Bench, until: date, by: str, why: str, said: str) -> None:
    standing(bench, "a", "r")
    with pytest.raises(SettingsError, match=said):
        mutes.mute(bench.store, "a", "r", until, by, why, now=T0 + timedelta(days=1))


def test_a_day_ends_in_the_store_s_zone() -> None:
    """Europe/Vienna is two hours ahead of UTC from 29 March 2026 on (EU summer time), one before."""
    assert mutes.end_of_day(date(2026, 3, 20), "Europe/Vienna") == datetime(2026, 3, 20, 23)
    assert mutes.end_of_day(date(2026, 3, 30), "Europe/Vienna") == datetime(2026, 3, 30, 22)


def test_a_catalogue_published_before_there_were_mutes_can_be_read(bench: Bench) -> None:
    with transaction(bench.store.catalogue) as con:
        scan(con, "s1", 0)
        logged(con, "s1", "a", "r", "new", "service")
        close_night(con, "s1", T0 + timedelta(days=400))
        con.execute("DROP TABLE mutes")
    con = connect(bench.store.catalogue, read_only=True)
    told = read_changes(con)
    con.close()
    assert told is not None
    assert [c.vehicle for c in told.changes] == ["a"]


def test_steps_that_were_written_side_by_side_are_made_up_for(bench: Bench) -> None:
    """A catalogue that has a later step but not an earlier one gets the earlier one too."""
    with transaction(bench.store.catalogue) as con:
        con.execute("DELETE FROM versions WHERE version = 2")
        for table in ("nights", "fleet_log", "messages"):
            con.execute(f"DROP TABLE {table}")
    migrate(bench.store.catalogue)
    con = connect(bench.store.catalogue, read_only=True)
    assert con.execute("SELECT count(*) FROM nights").fetchall() == [(0,)]
    con.close()


def test_the_same_said_twice_is_one_mute(bench: Bench) -> None:
    """As when the first command was killed before it had published."""
    standing(bench, "a", "r")
    standing(bench, "a", "r", item="left")
    first = hush(bench)
    assert len(first) == 2
    assert hush(bench, now=T0 + timedelta(days=2)) == first
    assert bench.ask("SELECT count(*) FROM mutes") == [(2,)]
    assert len(hush(bench, until=date(2026, 3, 21))) == 2  # another day is another mute
    assert bench.ask("SELECT count(*) FROM mutes") == [(4,)]
