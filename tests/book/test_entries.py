"""What the service book takes and refuses; expected outcomes follow from the rules in pipeline/book and a calendar."""

from __future__ import annotations

import pickle

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from herdbook.pipeline.book import book, parts
from herdbook.pipeline.book.entry import NEEDS, Kind, moment
from herdbook.pipeline.errors import BusyError, StoreError
from herdbook.pipeline.store.connection import transaction
from herdbook.pipeline.store.publish import publish
from herdbook.pipeline.store.store import Store
from tests.book.rows import NOW, UTC, day, enter, held, refused
from tests.night.tables import T0, insert

FITTED = {"kind": "fitted", "part": "pack", "serial": "P-1"}


def test_what_is_entered_is_published_with_who_when_and_in_which_words(store: Store) -> None:
    enter(store, {"kind": "complaint", "said": "brake let go", "by": "service desk", "when": f"{day(3)} 09:30"})
    [entry] = held(store)
    assert (entry.vehicle, entry.kind, entry.said, entry.made_by) == ("a", "complaint", "brake let go", "service desk")
    assert (entry.when, entry.made_t) == (f"{day(3)} 09:30", NOW)


def test_all_or_nothing(store: Store) -> None:
    said = refused(store, {"kind": "note", "said": "fine"}, {"kind": "note", "said": "bad", "vehicle": "c"})
    assert said == "row 3: vehicle 'c' has no log and stands in no list. Known: a, b"


def test_a_part_in_two_vehicles_is_told_beside_other_slips(store: Store) -> None:
    """All at once; but not of a seat whose own rows are wrong: what sat there, only the corrected sheet says."""
    said = refused(store, FITTED, FITTED | {"vehicle": "b"}, {"kind": "note"})
    assert "row 3: pack P-1 cannot sit in b too" in said
    assert "row 4: an entry “note” needs some words" in said
    gone = {"kind": "removed", "part": "pack", "serial": "P-1", "outcome": "gone"}
    assert "cannot sit" not in refused(store, FITTED, gone, FITTED | {"vehicle": "b", "when": day(5)})


def test_the_same_sheet_again_doubles_nothing(store: Store) -> None:
    rows = [{"kind": "note", "said": "x"}, {"kind": "complaint", "said": "y"}]
    enter(store, *rows)
    wrong, made = enter(store, *rows, {"kind": "note", "said": "z"})
    assert not wrong
    assert [entry.said for entry in made] == ["z"]
    assert len(held(store)) == 3


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ({"kind": "fitted", "part": "pack"}, "an entry “fitted” needs its serial number or version"),
        ({"kind": "complaint"}, "an entry “complaint” needs some words"),
        ({"kind": "sold", "serial": "1"}, "an entry “sold” has no serial"),
        ({"kind": "inspection", "said": "x", "outcome": "refuted"}, "an inspection with an outcome needs a rule too"),
        ({"kind": "inspection", "said": "x", "rule": "r"}, "an inspection with a rule needs an outcome too"),
        ({"kind": "inspection", "said": "x", "rule": "r", "outcome": "maybe"}, "the outcome 'maybe' is none of"),
        ({"kind": "repair", "said": "x", "rule": "s"}, "no scan ever told s of a. Told of it: r"),
        ({"kind": "repair", "said": "x", "rule": "r", "vehicle": "b"}, "no scan ever told r of b. Told of it: none"),
        ({"kind": "note", "said": "x", "when": day(-1)}, f"{day(-1)} is before a was built ({day(0)})"),
        ({"kind": "note", "said": "x", "when": day(400)}, f"{day(400)} is still to come"),
        ({"kind": "note", "said": "x", "by": ""}, "nobody stands for it"),
        ({"kind": "note", "said": "x", "corrects": "7"}, "there is no entry 7 to correct"),
    ],
)
def test_what_cannot_be_is_refused_by_its_row(store: Store, row: dict[str, str], said: str) -> None:
    assert said in refused(store, row)


def test_a_part_cannot_sit_in_two_vehicles_at_once(store: Store) -> None:
    enter(store, FITTED)
    other = FITTED | {"vehicle": "b", "when": day(5)}
    said = refused(store, other)
    assert said == (f"row 2: pack P-1 cannot sit in b too: pack P-1 is in a since {day(2)}. Enter its removal first")
    wrong, made = enter(store, other, {"kind": "removed", "part": "pack", "serial": "P-1", "when": day(4)})
    assert not wrong
    assert len(made) == 2


def test_a_part_that_was_fitted_later_is_found_too(store: Store) -> None:
    """A row of an earlier day is wrong when the book has the part elsewhere later without a removal between."""
    enter(store, FITTED | {"when": day(9)})
    assert "Enter its removal first" in refused(store, FITTED | {"vehicle": "b", "when": day(5)})


def test_what_is_fitted_ends_what_sat_there(store: Store) -> None:
    enter(store, FITTED, FITTED | {"serial": "P-2", "when": day(8)}, FITTED | {"vehicle": "b", "when": day(9)})
    stays = {(s.vehicle, s.serial): (s.day, s.to_t is None) for s in parts.stays(held(store))}
    assert stays == {("a", "P-1"): (day(2), False), ("a", "P-2"): (day(8), True), ("b", "P-1"): (day(9), True)}


def test_a_removal_of_another_part_than_sits_there_is_refused(store: Store) -> None:
    enter(store, FITTED)
    said = refused(store, {"kind": "removed", "part": "pack", "serial": "P-9", "when": day(5)})
    assert "pack P-9 is not what sits there: pack P-1 is in a" in said


def test_a_bus_that_names_another_serial_is_told_but_not_for_the_day_of_the_swap(store: Store) -> None:
    enter(store, FITTED)
    with transaction(store.catalogue) as con:
        seen = {"vehicle": "a", "component": "pack", "known_by": "bus"}
        insert(con, "installs", **seen, serial="OLD", from_t=T0, to_t=moment(f"{day(2)} 20:00", UTC)[0])
        insert(con, "installs", **seen, serial="p-1", from_t=moment(day(3), UTC)[0], to_t=moment(day(4), UTC)[0])
    publish(store)
    with store.read() as con:
        assert parts.contradictions(con, book.entries(con)) == []
    with transaction(store.catalogue) as con:
        insert(con, "installs", **seen, serial="OTHER", from_t=moment(day(6), UTC)[0], to_t=moment(day(7), UTC)[0])
    publish(store)
    with store.read() as con:
        [told] = parts.contradictions(con, book.entries(con))
    assert f"the book has pack P-1 from {day(2)} on, the bus named OTHER on {day(6)}" in told


def test_a_correction_takes_the_place_and_nothing_is_lost(store: Store) -> None:
    enter(store, {"kind": "note", "said": "wrogn"})
    enter(store, {"kind": "note", "said": "wrong", "corrects": "1"})
    assert [entry.said for entry in held(store)] == ["wrong"]
    assert "entry 1 was corrected or struck before" in refused(store, {"kind": "note", "said": "x", "corrects": "1"})
    book.write(store, [book.struck(store, 2, by="x", why="no", now=NOW)], NOW)
    assert held(store) == []
    with store.read() as con:
        assert [entry.kind for entry in book.entries(con)] == ["note", "note", "struck"]
        assert [entry.said for entry in book.entries(con, as_of=T0)] == []


def test_a_sheet_that_comes_again_brings_nothing_back_that_was_corrected(store: Store) -> None:
    row = {"kind": "note", "said": "wrogn"}
    enter(store, row, source="sheet.csv, line 2")
    enter(store, {"kind": "note", "said": "wrong", "corrects": "1"})
    enter(store, row, source="sheet.csv, line 2")
    assert [entry.said for entry in held(store)] == ["wrong"]
    enter(store, row)  # but who types it again means it
    assert [entry.said for entry in held(store)] == ["wrong", "wrogn"]


def test_two_rows_cannot_take_the_place_of_one_entry(store: Store) -> None:
    enter(store, {"kind": "note", "said": "x"})
    said = refused(store, *({"kind": "note", "said": word, "corrects": "1"} for word in "yz"))
    assert said == "row 3: entry 1 is corrected by row 2 already"


@pytest.mark.parametrize(
    ("text", "zone", "start", "end"),
    [  # the calendar of the zone: a spring day of 23 hours, an autumn day of 25
        ("2026-03-29", "Europe/Vienna", "2026-03-28 23:00", "2026-03-29 22:00"),
        ("2026-10-25", "Europe/Vienna", "2026-10-24 22:00", "2026-10-25 23:00"),
        ("2026-03-04 14:30", "Europe/Vienna", "2026-03-04 13:30", "2026-03-04 13:31"),
        ("2026-03-04T14:30Z", "Europe/Vienna", "2026-03-04 14:30", "2026-03-04 14:31"),
        ("2026-01-01", "Pacific/Kiritimati", "2025-12-31 10:00", "2026-01-01 10:00"),
    ],
)
def test_a_day_is_one_of_the_vehicles_zone(text: str, zone: str, start: str, end: str) -> None:
    from zoneinfo import ZoneInfo

    assert [f"{t:%Y-%m-%d %H:%M}" for t in moment(text, ZoneInfo(zone))] == [start, end]


@given(st.text(max_size=30))
@settings(max_examples=200)
def test_no_text_is_taken_for_a_moment_that_is_none(text: str) -> None:
    try:
        start, end = moment(text, UTC)
    except ValueError:
        return
    assert start < end


def test_every_kind_has_its_needs() -> None:
    assert set(NEEDS) == set(Kind)


@pytest.mark.parametrize(("way", "code"), [(BusyError("is in use"), 6), (StoreError("the disk is full"), 5)])
def test_what_is_entered_and_not_shown_leaves_with_the_code_of_what_stood_in_the_way(
    way: StoreError, code: int, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stand_in_the_way(_: Store) -> None:
        raise way

    monkeypatch.setattr("herdbook.pipeline.store.publish.publish", stand_in_the_way)
    with pytest.raises(
        book.NotShownError, match=r"it is entered in the service book, but no page shows it yet"
    ) as told:
        enter(store, {"kind": "note", "said": "x"})
    assert told.value.exit_code == code
    assert pickle.loads(pickle.dumps(told.value)).exit_code == code
