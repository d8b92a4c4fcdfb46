"""Units as DBC files write them: known pairs by definition, everything else refused."""

from __future__ import annotations

import pytest

from herdbook.pipeline.vehicle.roles import ROLES
from herdbook.pipeline.vehicle.units import FREE, conversion

# By hand from the definitions: 0 degC = 273.15 K = 32 degF; a mile is 1609.344 m; a turn is 360 degrees.
KNOWN = [
    ("pack_voltage", "kV", 0.048, 48.0),
    ("pack_current", "0.1A", 125, 12.5),
    ("pack_soc", "fraction", 0.5, 50.0),
    ("cell_temp", "dK", 2981.5, 298.15 - 273.15),
    ("cell_temp", "°F", -40, -40.0),
    ("motor_speed", "deg/s", 360, 60.0),
    ("motor_speed", "rps", 2, 120.0),
    ("odometer", "mi", 10, 16.09344),
    ("controller_uptime", "h", 2, 7200.0),
    ("vehicle_speed", "cm/s", 250, 2.5),
    # capital omega, ohm sign
    *(("insulation_resistance", unit, 2.5, 2500.0) for unit in ("MOhm", "M\u03a9", "M\u2126")),
    ("insulation_resistance", "Ohms", 5e5, 500.0),
]


@pytest.mark.parametrize(("role", "unit", "value", "expected"), KNOWN)
def test_a_known_unit_is_converted(role: str, unit: str, value: float, expected: float) -> None:
    scale, offset = conversion(ROLES[role], unit)
    assert value * scale + offset == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(("role", "unit"), [("pack_voltage", " m V "), ("pack_voltage", "MV"), ("cell_temp", "DEGC")])
def test_case_and_blanks_do_not_matter(role: str, unit: str) -> None:
    assert conversion(ROLES[role], unit) == conversion(ROLES[role], unit.replace(" ", "").lower())


@pytest.mark.parametrize(
    ("role", "unit"),
    [("pack_soc", "1"), ("motor_speed", "Hz"), ("pack_voltage", ""), ("pack_voltage", "A"), ("odometer", "s")],
)
def test_what_could_mean_something_else_is_never_guessed(role: str, unit: str) -> None:
    with pytest.raises(KeyError) as caught:
        conversion(ROLES[role], unit)
    assert ROLES[role].unit in str(caught.value)


@pytest.mark.parametrize("role", sorted(ROLES))
def test_every_role_takes_its_own_unit(role: str) -> None:
    assert ROLES[role].unit in FREE or conversion(ROLES[role], ROLES[role].unit) == (1, 0)
