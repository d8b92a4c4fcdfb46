"""The [roles] table, entry by entry: what each option does to a mapping, and what is refused."""

from __future__ import annotations

import re
from typing import Any

import pytest

from herdbook.pipeline.vehicle.role_table import Mapping, mappings, numbers

UNITS = {
    ("Pack", "Volt"): "mV",
    ("Pack", "Mode"): "",
    ("Heat", "Left"): "degF",
    ("Heat", "Right"): "degC",
    **{("Cells", f"Group{n:02d}"): "mV" for n in range(1, 13)},
    ("Bleed", "Mask"): "",
}


def read(**table: Any) -> list[Mapping]:
    return list(mappings(table, UNITS))


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("1..4", [1, 2, 3, 4]),
        ("1..2,6", [1, 2, 6]),
        (" 3 , 1 ", [3, 1]),
        ([1, 2, 5], [1, 2, 5]),
        (7, [7]),
        ("999", [999]),
    ],
)
def test_item_numbers(text: object, expected: list[int]) -> None:
    assert numbers(text) == expected


@pytest.mark.parametrize("text", ["0..3", "1..1000", "4..1", "", "1,1", "1..3,2", "a", "-1", "1...3", [], [0]])
def test_item_numbers_that_are_refused(text: object) -> None:
    with pytest.raises(ValueError, match="n = "):
        numbers(text)


def test_the_unit_of_the_dbc_becomes_the_role_s_and_scale_and_offset_come_after() -> None:
    (plain,) = read(pack_voltage="Pack.Volt")
    assert (plain.scale, plain.offset) == (1e-3, 0.0)
    (turned,) = read(pack_voltage={"signal": "Pack.Volt", "scale": -2, "offset": 5})
    assert (turned.scale, turned.offset) == (-2e-3, 5.0)
    (said,) = read(pack_voltage={"signal": "Pack.Volt", "unit": "V"})
    assert said.scale == 1.0
    left, right = read(motor_temp={"left": {"signal": "Heat.Left", "scale": 2}, "right": "Heat.Right"})
    assert 212.0 * left.scale + left.offset == pytest.approx(200.0)  # 212 degF is 100 degC, and twice that
    assert (right.item, right.scale, right.offset) == ("right", 1.0, 0.0)


def test_items_are_counted_into_the_name_and_into_the_bits() -> None:
    groups = read(cell_voltage={"signal": "Cells.Group{n:02d}", "n": "1..12", "not_available": 65535})
    assert [m.signal for m in groups] == [f"Group{n:02d}" for n in range(1, 13)]
    assert {m.not_available for m in groups} == {(65535.0,)}
    bits = read(cell_bleed={"signal": "Bleed.Mask", "n": "1..12", "first_bit": 4})
    assert [m.bit for m in bits] == list(range(4, 16))


def test_states_are_numbered_as_the_role_numbers_them() -> None:
    (state,) = read(contactor_state={"signal": "Pack.Mode", "states": {"7": "closed", "2": "open"}})
    assert state.states == {7: 2, 2: 0}


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({"pack_volt": "Pack.Volt"}, "role 'pack_volt' is not known; did you mean pack_voltage"),
        ({"pack_voltage": 3}, 'role pack_voltage: must be "Message.Signal" or a table'),
        ({"pack_voltage": "PackVolt"}, "'PackVolt' is not Message.Signal"),
        ({"pack_voltage": "Pack.Volt{n}"}, "only {n} or {n:02d} may stand in a name"),
        ({"pack_voltage": {"signal": "Pack.Volt", "scale": "2"}}, "scale = '2' is not a number"),
        ({"pack_voltage": {"signal": "Pack.Volt", "scale": True}}, "scale = True is not a number"),
        ({"pack_voltage": {"signal": "Pack.Volt", "states": {"0": "open"}}}, "states are for state roles only"),
        ({"cell_voltage": "Cells.Group01"}, "counts from 1 and needs n"),
        ({"motor_temp": {"middle": "Heat.Left"}}, "side 'middle' is not one of left, right, front, rear"),
        ({"motor_temp": {"signal": "Heat.Left", "n": "9"}}, "counts motors, of which there are at most 8"),
        ({"contactor_state": "Pack.Mode"}, "needs states"),
        ({"pack_voltage": "Heat.Left"}, "unit 'degF' cannot be turned into V"),
    ],
)
def test_an_entry_that_cannot_be_is_refused_by_name(table: dict[str, object], said: str) -> None:
    with pytest.raises(ValueError, match=re.escape(said)):
        list(mappings(table, UNITS))
