"""What opens, holds and closes a stop-use finding: as stated at the head of pipeline/book/stop_use.py."""

from __future__ import annotations

from datetime import timedelta

from herdbook.pipeline.book import book
from herdbook.pipeline.commands.terminal.rows import rows
from herdbook.pipeline.night.close import close_night
from herdbook.pipeline.night.messages import text
from herdbook.pipeline.night.read_changes import last_night
from herdbook.pipeline.reports.facts import one_vehicle
from herdbook.pipeline.reports.verdict import verdict
from herdbook.pipeline.store.connection import transaction
from herdbook.pipeline.store.publish import publish
from herdbook.pipeline.store.statements import ask
from herdbook.pipeline.store.store import Store
from tests.book.rows import NOW, day, enter, matter, told_again
from tests.night.tables import T0, logged, scan

REPAIR = {"kind": "repair", "rule": "r", "said": "loom renewed", "when": day(5)}


def severity(store: Store) -> str:
    with store.read() as con:
        return str(con.execute("SELECT severity FROM findings_now").fetchall()[0][0])


def test_nobody_has_looked_until_somebody_says_so(store: Store) -> None:
    assert matter(store).words(T0 + timedelta(days=11)) == "open for 10 days, nobody has acknowledged it"
    enter(store, {"kind": "acknowledged", "rule": "r", "by": "night desk"})
    assert f"acknowledged by night desk on {day(2)}" in matter(store).words(NOW)
    enter(store, {"kind": "to inspection", "rule": "r", "when": day(3)})
    assert matter(store).state == "to inspection"
    enter(store, {"kind": "inspection", "rule": "r", "outcome": "confirmed", "said": "wire chafed", "when": day(4)})
    assert "not repaired yet" in matter(store).words(NOW)
    assert matter(store).open
    assert severity(store) == "stop-use"


def test_a_repair_closes_it_everywhere_and_says_by_whom(store: Store) -> None:
    enter(store, REPAIR)
    found = matter(store)
    assert not found.open
    assert severity(store) == "note"
    assert found.words(NOW) == (
        f"closed by a repair on {day(5)} (workshop: loom renewed); nothing recorded since shows it"
    )


def test_a_refuted_one_is_closed_and_an_undecided_one_is_not(store: Store) -> None:
    about = {"kind": "inspection", "rule": "r", "said": "looked", "when": day(4)}
    enter(store, about | {"outcome": "undecided"})
    assert matter(store).open
    enter(store, about | {"outcome": "refuted"})
    assert not matter(store).open
    assert "an inspection that refuted it" in matter(store).words(NOW)


def test_a_repair_of_something_else_closes_nothing(store: Store) -> None:
    enter(store, {"kind": "repair", "said": "new grip tape"})
    assert matter(store).open
    assert matter(store).state == "nobody"


def test_evidence_after_the_repair_opens_it_again(store: Store) -> None:
    enter(store, REPAIR)
    told_again(store, 9, "s2")
    publish(store)
    found = matter(store)
    assert found.open
    assert found.again
    assert severity(store) == "stop-use"
    said = found.words(T0 + timedelta(days=12))
    assert said == "open for 3 days, nobody has acknowledged it; it was closed before, and recorded again since"


def test_evidence_of_the_day_of_the_repair_is_before_it(store: Store) -> None:
    """Nobody knows the hour of a repair that is entered by its day; the ride that showed the fault is of that day."""
    enter(store, REPAIR)
    told_again(store, 5, "s2")
    publish(store)
    assert not matter(store).open


def test_a_finding_that_is_gone_stays_open_until_somebody_looks(store: Store) -> None:
    with transaction(store.catalogue) as con:
        con.execute("DELETE FROM findings")
        scan(con, "s2", 20)
        logged(con, "s2", "a", "r", "gone", "stop-use", "stop-use")
        close_night(con, "s2", NOW)
    publish(store)
    assert matter(store).open
    night = last_night(store)
    assert night is not None
    assert [s.vehicle for s in night.stop_use] == ["a"]
    message = text(night)
    assert "open for 19 days, nobody has acknowledged it; the newest scan no longer finds it" in message
    enter(store, REPAIR)
    night = last_night(store)
    assert night is not None
    assert not night.stop_use


def test_a_struck_repair_closes_nothing(store: Store) -> None:
    enter(store, REPAIR)
    book.write(store, [book.struck(store, 1, by="x", why="another vehicle", now=NOW)], NOW)
    assert matter(store).open
    assert severity(store) == "stop-use"


def test_a_scrapped_vehicle_has_nothing_open(store: Store) -> None:
    enter(store, {"kind": "scrapped", "when": day(6)})
    assert "closed by scrapping" in matter(store).words(NOW)


def test_what_is_entered_after_the_closing_does_not_pass_for_it(store: Store) -> None:
    enter(store, REPAIR)
    enter(store, {"kind": "complaint", "rule": "r", "said": "still odd", "by": "rider", "when": day(7)})
    assert "closed by a repair on 2026-03-06 (workshop: loom renewed)" in matter(store).words(NOW)


def test_an_acknowledgement_from_before_it_came_back_is_none_of_it_now(store: Store) -> None:
    enter(store, {"kind": "acknowledged", "rule": "r"}, REPAIR)
    enter(store, {"kind": "note", "rule": "r", "said": "test ride fine", "when": day(6)})
    told_again(store, 9, "s2")
    publish(store)
    assert matter(store).state == "nobody"
    enter(store, {"kind": "acknowledged", "rule": "r", "when": day(10)})
    assert matter(store).state == "acknowledged"


def test_what_nobody_looked_into_is_stop_use_in_every_list(store: Store) -> None:
    """The message of the night, the table of the fleet, its findings and its page say the same of it."""
    with transaction(store.catalogue) as con:
        con.execute("DELETE FROM findings")
    publish(store)
    [row] = [row for row in rows(store, "fleet_table") if row["vehicle"] == "a"]
    [finding] = rows(store, "fleet_findings", severities=["stop-use"])
    with store.read() as con:
        [on_page] = ask(con, "herdbook.pipeline.reports.fleet.site", "standing")
        facts = one_vehicle(con, "a", "UTC")
    assert row["stop_use"] == 1
    assert finding["rule"] == "r"
    assert "nobody has entered an inspection or a repair" in finding["statement"]
    assert on_page["vehicle"] == "a"
    assert verdict(facts, 0)[0].startswith("a must not be used")
