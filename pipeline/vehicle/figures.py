"""The maker's figures of a vehicle: the tables [vehicle], [pack] and [drive] of a profile."""

from __future__ import annotations


def figure(table: dict[str, object], key: str, default: float) -> float:
    """A number of a table; default where it is not given."""
    found = table.get(key)
    return float(found) if isinstance(found, int | float) else default
