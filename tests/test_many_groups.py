"""What one rule says of many groups of one pack is one row that names them, with the range of every number."""

from __future__ import annotations

import pytest

from herdbook.pipeline.many_groups import Told, groups_of, told_once

Row = tuple[str, str, str]  # vehicle, item, statement


def fell(k: int, volts: float, times: int = 1, more: str = "", vehicle: str = "A") -> Row:
    said = f"Group {k} fell to {volts:.2f} V, {1000 * (2.5 - volts):.0f} mV under its limit, {times} time"
    return vehicle, f"cell {k}", f"{said}{'s' * (times != 1)}.{more}"


def once(*rows: Row) -> list[Told[Row]]:
    return told_once(rows, same=lambda r: r[0], item=lambda r: r[1], statement=lambda r: r[2])


def test_ten_groups_of_a_pack_are_one_row() -> None:
    (row,) = once(*(fell(k, 0.1 * k, times=1 + k % 2) for k in (1, 10, 2, 3, 4, 5, 6, 7, 8, 9)))
    assert row.item == "groups 1 to 10"
    assert (
        row.statement == "Each of groups 1 to 10 fell to 0.10 to 1.00 V, 1500 to 2400 mV under its limit, 1 to 2 times."
    )
    assert len(row.rows) == 10


def test_numbers_that_are_alike_are_said_once() -> None:
    (row,) = once(*(fell(k, 0.5) for k in (2, 3, 7)))
    assert row.statement == "Each of groups 2, 3 and 7 fell to 0.50 V, 2000 mV under its limit, 1 time."


def test_others_stay_rows_of_their_own_and_in_their_place() -> None:
    """Another vehicle, a group of which more is said, a finding of no group, and two that are no crowd."""
    found = once(
        fell(1, 0.5),
        fell(4, 0.5, more=" It was charged after that."),
        ("A", "", "The main switch opened 3 times."),
        fell(2, 0.6),
        fell(1, 0.5, vehicle="B"),
        fell(3, 0.7),
        fell(2, 0.5, vehicle="B"),
    )
    assert [(t.row[0], t.item) for t in found] == [
        ("A", "groups 1 to 3"),
        ("A", "cell 4"),
        ("A", ""),
        ("B", "cell 1"),
        ("B", "cell 2"),
    ]
    assert sum(len(t.rows) for t in found) == 7


def test_a_sentence_that_does_not_begin_with_the_group_names_them_first() -> None:
    rows = [("A", f"cell {k}", f"On 2026-03-1{k} something was seen {k} times.") for k in (1, 2, 3)]
    assert [t.statement for t in once(*rows)] == [r[2] for r in rows]  # days differ: no numbers to range over
    (row,) = once(*(("A", f"cell {k}", f"On 2026-03-11 something was seen {k} times.") for k in (1, 2, 3)))
    assert row.statement == "Groups 1 to 3: On 2026-03-11 something was seen 1 to 3 times."


def test_groups_of_each_of_several_packs_are_a_row_of_their_own() -> None:
    def of(pack: int, k: int) -> Row:
        return "A", f"pack {pack}, cell {k}", f"Pack {pack}: group {k} fell to {0.1 * k:.2f} V, 2 times."

    first, second = once(*(of(pack, k) for k in (3, 1, 2) for pack in (1, 2)))
    assert (first.item, len(first.rows)) == ("pack 1, groups 1 to 3", 3)
    assert second.item == "pack 2, groups 1 to 3"
    assert second.statement == "Pack 2: each of groups 1 to 3 fell to 0.10 to 0.30 V, 2 times."


def test_the_groups_stand_where_the_sentence_names_its_own() -> None:
    def of(said: str, pack: str = "") -> str:
        rows = [("A", f"{pack}cell {k}", said.format(k=k, r=1.5 + k / 10)) for k in (2, 3, 4)]
        (row,) = once(*rows)
        return row.statement

    assert of("The resistance of group {k} is {r:.1f} times the median group's.") == (
        "The resistance of each of groups 2 to 4 is 1.7 to 1.9 times the median group's."
    )
    assert of("Pack 2: the resistance of group {k} is {r:.1f} times that of group 7.", "pack 2, ") == (
        "Pack 2: the resistance of each of groups 2 to 4 is 1.7 to 1.9 times that of group 7."
    )
    assert of("Pack 2: on 2026-03-11 something was seen {k} times.", "pack 2, ") == (
        "Pack 2, groups 2 to 4: on 2026-03-11 something was seen 2 to 4 times."
    )


@pytest.mark.parametrize(
    ("numbers", "words"),
    [([1, 2, 3], "groups 1 to 3"), ([2, 5, 7, 8, 9], "groups 2, 5 and 7 to 9"), ([1, 2, 9], "groups 1, 2 and 9")],
)
def test_groups_in_words(numbers: list[int], words: str) -> None:
    assert groups_of(numbers) == words
