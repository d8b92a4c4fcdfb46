"""Units as DBC files write them, and how they become the role's unit.

A pair that is not in the table is an error at load, never a guess: 1 is not %, and Hz is not rpm (it may be
electrical). Sources: the SI brochure (Celsius is kelvin - 273.15); the international yard (1 mile is
1609.344 m); degC = (degF - 32) * 5 / 9 by definition.
"""

from __future__ import annotations

from math import pi

from herdbook.pipeline.vehicle.roles import Role

FREE = frozenset({"state", "bits", "id"})  # the raw number is the meaning: a DBC unit is not looked at

# role unit -> {DBC unit, lower case, no blanks: (scale, offset)}
_TABLE: dict[str, dict[str, tuple[float, float]]] = {
    "V": {
        "v": (1, 0),
        "volt": (1, 0),
        "volts": (1, 0),
        "mv": (1e-3, 0),
        "cv": (1e-2, 0),
        "0.1v": (0.1, 0),
        "kv": (1e3, 0),
    },
    "A": {"a": (1, 0), "amp": (1, 0), "amps": (1, 0), "ampere": (1, 0), "ma": (1e-3, 0), "0.1a": (0.1, 0)},
    "%": {
        "%": (1, 0),
        "pct": (1, 0),
        "percent": (1, 0),
        "permille": (0.1, 0),
        "‰": (0.1, 0),
        "0.1%": (0.1, 0),
        "fraction": (100, 0),
    },
    "degC": {
        "degc": (1, 0),
        "°c": (1, 0),
        "c": (1, 0),
        "℃": (1, 0),
        "celsius": (1, 0),
        "0.1degc": (0.1, 0),
        "0.1°c": (0.1, 0),
        "degf": (5 / 9, -160 / 9),
        "°f": (5 / 9, -160 / 9),
        "f": (5 / 9, -160 / 9),
        "℉": (5 / 9, -160 / 9),
        "fahrenheit": (5 / 9, -160 / 9),
        "k": (1, -273.15),
        "kelvin": (1, -273.15),
        "0.1k": (0.1, -273.15),
        "dk": (0.1, -273.15),
    },
    "kOhm": {
        **dict.fromkeys(("kohm", "kohms", "kω", "kiloohm"), (1, 0)),
        **dict.fromkeys(("ohm", "ohms", "ω"), (1e-3, 0)),
        # no insulation is measured in thousandths of an ohm
        **dict.fromkeys(("mohm", "mohms", "mω", "megaohm", "megohm"), (1e3, 0)),
    },
    "rpm": {
        "rpm": (1, 0),
        "1/min": (1, 0),
        "r/min": (1, 0),
        "min-1": (1, 0),
        "min^-1": (1, 0),
        "u/min": (1, 0),
        "rps": (60, 0),
        "rad/s": (30 / pi, 0),
        "deg/s": (1 / 6, 0),
        "°/s": (1 / 6, 0),
    },
    "s": {
        "s": (1, 0),
        "sec": (1, 0),
        "second": (1, 0),
        "seconds": (1, 0),
        "ms": (1e-3, 0),
        "us": (1e-6, 0),
        "min": (60, 0),
        "h": (3600, 0),
    },
    "ms": {"ms": (1, 0), "s": (1e3, 0), "sec": (1e3, 0), "us": (1e-3, 0)},
    "m/s": {
        "m/s": (1, 0),
        "km/h": (1 / 3.6, 0),
        "kmh": (1 / 3.6, 0),
        "kph": (1 / 3.6, 0),
        "mph": (0.44704, 0),
        "mm/s": (1e-3, 0),
        "cm/s": (1e-2, 0),
    },
    "km": {
        "km": (1, 0),
        "m": (1e-3, 0),
        "mi": (1.609344, 0),
        "mile": (1.609344, 0),
        "miles": (1.609344, 0),
        "0.1km": (0.1, 0),
    },
    "1": {
        "": (1, 0),
        "1": (1, 0),
        "-": (1, 0),
        "bool": (1, 0),
        "bit": (1, 0),
        "flag": (1, 0),
        "on/off": (1, 0),
    },
}


def conversion(role: Role, dbc_unit: str) -> tuple[float, float]:
    """(scale, offset) so that value in the role's unit = value in the DBC's unit * scale + offset.

    Raises: KeyError with the units that would do, in words.
    """
    if role.unit in FREE:
        return 1.0, 0.0
    table = _TABLE[role.unit]
    key = "".join(dbc_unit.lower().split())
    if key not in table:
        known = ", ".join(repr(u) for u in sorted(table))
        raise KeyError(f"unit {dbc_unit!r} cannot be turned into {role.unit} (known: {known})")
    scale, offset = table[key]
    return float(scale), float(offset)


# What may stand in for a current: a power over a voltage, or a torque by the motor's constant. To W, V and Nm.
_KINDS: dict[str, tuple[str, float]] = {
    **dict.fromkeys(("w", "watt", "watts"), ("W", 1.0)),
    **dict.fromkeys(("kw", "kilowatt", "kilowatts"), ("W", 1000.0)),
    "mw": ("W", 1e-3),
    **dict.fromkeys(("nm", "n*m", "n.m", "n·m", "newtonmeter", "newtonmetre"), ("Nm", 1.0)),
    "mnm": ("Nm", 1e-3),
    "0.1nm": ("Nm", 0.1),
}


def kind_of(dbc_unit: str) -> tuple[str, float]:
    """("W", "V" or "Nm", factor to it); ("", 1.0) for another kind of unit."""
    key = "".join(dbc_unit.lower().split())
    if key in _TABLE["V"]:
        return "V", float(_TABLE["V"][key][0])
    if dbc_unit.strip() == "MW":
        return "W", 1e6
    return _KINDS.get(key, ("", 1.0))


def units_of(role: Role) -> tuple[str, ...]:
    """DBC units that can be turned into the role's, as the table writes them; none where a raw number counts."""
    return () if role.unit in FREE else tuple(sorted(_TABLE[role.unit]))
