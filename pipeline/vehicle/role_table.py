"""The [roles] table of a profile: which signal plays which role, entry by entry.

An entry is a text "Message.Signal", a table with `signal` and options, or (for sides) a table of such
entries by side. Options: n (items of an indexed role: "1..12", "1..4,6" or a list), scale and offset
(applied after the unit conversion), unit (instead of the DBC's), states {raw = "state"}, not_available
[values in DBC units that mean "no value"], first_bit (a bit field: item n is bit first_bit + n - 1).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from herdbook.pipeline.vehicle.roles import ROLES, SIDES, Role
from herdbook.pipeline.vehicle.units import conversion

_NUMBER = re.compile(r"\{n(?::(0?\d?d))?\}")
OPTIONS = {"signal", "n", "scale", "offset", "unit", "states", "not_available", "first_bit"}


@dataclass(frozen=True, slots=True)
class Mapping:
    """One (role, item) to one signal: value = raw * scale + offset in the role's unit, or states by raw."""

    role: str
    item: int | str
    message: str
    signal: str
    scale: float = 1.0
    offset: float = 0.0
    states: dict[int, int] = field(default_factory=dict)  # raw value -> index into Role.states
    not_available: tuple[float, ...] = ()  # values in DBC units that mean "no value"
    bit: int | None = None  # the value is this bit of an integer signal


Units = dict[tuple[str, str], str]  # (message, signal) -> unit as the DBC has it


def mappings(table: dict[str, object], units: Units) -> Iterator[Mapping]:
    """All mappings of a [roles] table. Raises: ValueError with the entry and what is wrong with it."""
    for name, entry in table.items():
        if name not in ROLES:
            near = [r for r in ROLES if r.startswith(name[:4])]
            hint = f"; did you mean {' or '.join(near[:4])}?" if near else ""
            raise ValueError(f"role {name!r} is not known{hint}")
        try:
            yield from _entry(ROLES[name], entry, units)
        except (ValueError, KeyError, TypeError) as error:
            raise ValueError(f"role {name}: {error.args[0]}") from None


def _entry(role: Role, entry: object, units: Units) -> Iterator[Mapping]:
    if isinstance(entry, str):
        entry = {"signal": entry}
    if not isinstance(entry, dict):
        raise ValueError('must be "Message.Signal" or a table')
    if role.index == "side" and "signal" not in entry:
        if unknown := set(entry) - set(SIDES):
            raise ValueError(f"side {sorted(unknown)[0]!r} is not one of left, right")
        for side, inner in entry.items():
            yield _one(role, side, {"signal": inner} if isinstance(inner, str) else dict(inner), units)
        return
    if unknown := set(entry) - OPTIONS:
        known = ", ".join(sorted(OPTIONS))
        raise ValueError(f"option {sorted(unknown)[0]!r} is not known; the options are {known}")
    if role.index in ("cell", "sensor"):
        if "n" not in entry:
            raise ValueError('counts from 1 and needs n, as in { signal = "Cells.Cell{n:02d}", n = "1..12" }')
        for n in numbers(entry["n"]):
            yield _one(role, n, entry, units)
    elif role.index == "side":
        raise ValueError('needs a signal a side, as in { left = "M.A", right = "M.B" }')
    else:
        yield _one(role, "", entry, units)


def numbers(text: object) -> list[int]:
    """Item numbers from "1..12", "1..4,6" or a list, without repeats. Raises: ValueError."""
    out: list[int] = []
    parts = text if isinstance(text, list) else str(text).split(",")
    for part in parts:
        low, _, high = str(part).strip().partition("..")
        if not low.isdigit() or (high and not high.isdigit()) or int(low) < 1 or int(high or low) > 999:
            raise ValueError(f'n = {text!r} is not like "1..12", "1..4,6" or [1, 2, 3]')
        out += range(int(low), int(high or low) + 1)
    if not out or len(set(out)) != len(out):
        raise ValueError(f"n = {text!r} is empty or names an item twice")
    return out


def _one(role: Role, item: int | str, entry: dict[str, object], units: Units) -> Mapping:
    message, signal = _names(entry["signal"], item)
    if (message, signal) not in units:
        raise ValueError(_not_there(message, signal, units))
    unit = entry.get("unit", units[message, signal])
    scale, offset = conversion(role, str(unit))
    extra, shift = _number(entry, "scale", 1.0), _number(entry, "offset", 0.0)
    missing = entry.get("not_available", [])
    absent = tuple(float(str(v)) for v in (missing if isinstance(missing, list) else [missing]))
    bit = None
    if "first_bit" in entry:
        bit = int(_number(entry, "first_bit", 0)) + (item - 1 if isinstance(item, int) else 0)
    states = _states(role, entry.get("states"))
    total = offset * extra + shift
    return Mapping(
        role=role.name,
        item=item,
        message=message,
        signal=signal,
        scale=scale * extra,
        offset=total,
        states=states,
        not_available=absent,
        bit=bit,
    )


def _names(text: object, item: int | str) -> tuple[str, str]:
    filled = str(text)
    if isinstance(item, int):
        filled = _NUMBER.sub(lambda found: f"{item:{found[1] or 'd'}}", filled)
    if "{" in filled or "}" in filled:
        raise ValueError(f"{text!r}: only {{n}} or {{n:02d}} may stand in a name, for roles that count items")
    message, dot, signal = filled.partition(".")
    if not (message and dot and signal):
        raise ValueError(f"{filled!r} is not Message.Signal")
    return message, signal


def _not_there(message: str, signal: str, units: Units) -> str:
    there = sorted(s for m, s in units if m == message)
    if there:
        return f"message {message} has no signal {signal}; it has {', '.join(there[:12])}"
    messages = sorted({m for m, _ in units})
    return f"the DBC files have no message {message}; they have {', '.join(messages[:12])}"


def _number(entry: dict[str, object], key: str, default: float) -> float:
    value = entry.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"{key} = {value!r} is not a number")
    return float(value)


def _states(role: Role, table: object) -> dict[int, int]:
    if role.unit != "state":
        if table:
            raise ValueError("states are for state roles only")
        return {}
    if not isinstance(table, dict) or not table:
        known = ", ".join(role.states)
        raise ValueError(f'needs states, as in states = {{ 0 = "{role.states[0]}" }}; known: {known}')
    out = {}
    for raw, state in table.items():
        if state not in role.states:
            raise ValueError(f"state {state!r} is not known; known: {', '.join(role.states)}")
        out[int(raw)] = role.states.index(state)
    return out
