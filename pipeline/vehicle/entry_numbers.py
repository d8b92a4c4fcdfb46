"""Numbers in an entry of a [roles] table: finite, whole where they count, and a scale that leaves something."""

from __future__ import annotations

import math

Entry = dict[str, object]


def number(entry: Entry, key: str, default: float) -> float:
    """Raises: ValueError for what is no finite number."""
    return _finite(key, entry.get(key, default))


def whole(entry: Entry, key: str, default: int) -> int:
    """Raises: ValueError for what is no whole number."""
    value = number(entry, key, default)
    if not value.is_integer():
        raise ValueError(f"{key} = {value:g} is not a whole number")
    return int(value)


def scale_of(entry: Entry) -> float:
    """Raises: ValueError for a scale of 0."""
    value = number(entry, "scale", 1.0)
    if value == 0:
        raise ValueError("scale = 0 would make every value of it the same")
    return value


def no_values(entry: Entry) -> tuple[float, ...]:
    """Values that mean "no value", in the DBC's units. Raises: ValueError."""
    given = entry.get("not_available", [])
    return tuple(_finite("not_available", value) for value in (given if isinstance(given, list) else [given]))


def _finite(key: str, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(f"{key} = {value!r} is not a number")
    return float(value)
