"""A reading that no group can have: the see-saw of neighbours, and what the pack's voltage does not confirm."""

from __future__ import annotations

import polars as pl
import pytest

from herdbook.pipeline.health.examples import one_session, record
from herdbook.pipeline.health.rules._sense_wire import by_wire, unread
from herdbook.pipeline.vehicle.record import Event

LOW = {"extreme_v": 2.3, "limit_v": 2.5, "median_v": 3.2, "neighbour_v": 4.1, "pack_less_sum_v": 0.0}  # 0.9 V off
DEEP = {"extreme_v": 0.2, "limit_v": 2.5, "median_v": 3.2, "neighbour_v": 3.2, "pack_less_sum_v": 3.0}
HIGH = {"extreme_v": 3.9, "limit_v": 3.65, "median_v": 3.3, "neighbour_v": 2.7, "pack_less_sum_v": 0.0}
CLIPPED = {"extreme_v": 0.0, "limit_v": 2.6, "median_v": 3.6, "neighbour_v": 5.0, "pack_less_sum_v": 2.2}


@pytest.mark.parametrize(
    ("event", "wire"),
    [
        (LOW, True),
        (HIGH, True),
        (LOW | {"neighbour_v": 3.2}, False),  # the neighbour gains nothing: the group is low
        (LOW | {"neighbour_v": 3.59}, True),  # 0.39 of 0.9 V is enough ...
        (LOW | {"neighbour_v": 3.55}, False),  # ... 0.35 is less than two fifths
        (LOW | {"extreme_v": 2.95, "neighbour_v": 3.45, "limit_v": 2.96, "median_v": 3.2}, False),  # millivolts
        (LOW | {"median_v": 2.75, "neighbour_v": 3.4}, False),  # the whole pack is low: sound groups stand apart there
        (HIGH | {"median_v": 3.56, "neighbour_v": 3.0}, False),  # or the whole pack is full
        (LOW | {"neighbour_v": 2.3}, False),  # the neighbour is low as well
        (LOW | {"neighbour_v": None}, False),
        (DEEP, True),  # 3 V are missing in the reading and not in the pack
        (DEEP | {"pack_less_sum_v": 0.0}, False),  # they are missing in the pack as well
        (DEEP | {"pack_less_sum_v": 2.2}, True),
        (DEEP | {"pack_less_sum_v": 2.0}, False),
        (DEEP | {"pack_less_sum_v": None}, False),
        (DEEP | {"extreme_v": 2.4, "pack_less_sum_v": 0.8}, False),  # under 1 V the sum's own error counts
        (CLIPPED, True),  # 5 V is the range's end: both lack 2.2 V together, and the pack has them
        (CLIPPED | {"pack_less_sum_v": 0.0}, False),  # the sum is right: see-saw too small for such a fall
        (
            CLIPPED | {"extreme_v": 5.0, "limit_v": 3.65, "neighbour_v": 0.0},
            True,
        ),  # the other of the two, in a full pack
        (CLIPPED | {"extreme_v": 5.0, "limit_v": 3.65, "neighbour_v": 0.0, "pack_less_sum_v": 0.0}, False),
    ],
)
def test_circuit_laws_tell_wire_from_group(event: dict[str, float | None], wire: bool) -> None:
    rows = pl.DataFrame([event], schema=dict.fromkeys(LOW, pl.Float64))
    assert rows.select(by_wire()).item() is wire


def test_groups_whose_wire_lies_are_left_aside_with_their_neighbour() -> None:
    def low(day: float, item: str, data: dict[str, float]) -> object:
        return one_session(day, "ride", Event("group_under_voltage", 0, 1_000_000, item, data))

    seen = record(low(0, "3", LOW | {"neighbour": 4.0}), low(0, "7", LOW | {"neighbour_v": 3.2, "neighbour": 8.0}))  # type: ignore[arg-type]
    assert unread(seen) == {"3", "4"}
    older = record(low(0, "3", LOW | {"neighbour": 4.0}), low(70, "7", LOW | {"neighbour_v": 3.2, "neighbour": 8.0}))  # type: ignore[arg-type]
    assert unread(older) == set()
    assert unread(older, days=90.0) == {"3", "4"}
    assert unread(record(one_session(0, "ride"))) == set()
