"""The [roles] table of a profile: which signal plays which role, entry by entry.

An entry is a text "Message.Signal", a table with options, a list of such (for roles that count items), or (for motors)
a table of such entries by side; one motor needs no side, more than two are counted by n. Where the value comes from:

signal      one signal, or many by ranges: "Cells.Group{n:02d}" with n, "CELLS_A.C{1..4}", "Mod{0..7}.Cell{A..L}"
            (pipeline/vehicle/signal_names.py); with index and index_values, the item is what another signal of the
            message says: { signal = "Cell.Volt", index = "Number", index_values = "0..11" }
value       a formula: "max(-Drv.Amps, 0)", "A.I1 + A.I2" (pipeline/vehicle/formula.py)
flags       signals of one bit each, in the order of the bits they become: ["BMS.OverVolt", "BMS.UnderVolt"]
voltage     the signal is a power: the current is power / voltage

Options: n (items of an indexed role: "1..12", "1..4,6" or a list), scale and offset (applied after the unit
conversion), unit (instead of the DBC's), states {raw or DBC word = "state"}, not_available [values in DBC units that
mean "no value"], first_bit (a bit field: item n is bit first_bit + n - 1), bits (so many an item), source (J1939
address of the sender), sender (the DBC's word for it), channel (bus label), names {bit = "what it means"}, codes (a
fault word that says one number a fault, no bits: true, or {number = "what it means"}: pipeline/vehicle/fault_codes.py),
format (of a serial or version: pipeline/vehicle/text_form.py).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from difflib import get_close_matches

from herdbook.pipeline.vehicle.bit_names import names_of_bits, names_of_flags
from herdbook.pipeline.vehicle.dbc_signals import DbcSignals, Units
from herdbook.pipeline.vehicle.entry_numbers import Entry, no_values, number, scale_of, whole
from herdbook.pipeline.vehicle.fault_codes import Names, codes_of
from herdbook.pipeline.vehicle.formula import Formula, Name, formula
from herdbook.pipeline.vehicle.mapping import Item, Mapping
from herdbook.pipeline.vehicle.roles import MOTORS, ONLY, ORDINALS, ROLES, Role
from herdbook.pipeline.vehicle.signal_names import (
    counts_items,
    expanded,
    filled,
    message_and_signal,
    not_there,
    numbers,
    values,
)
from herdbook.pipeline.vehicle.text_form import TextForm, form_in_comment, text_form
from herdbook.pipeline.vehicle.units import conversion, kind_of

__all__ = ["Mapping", "Units", "mappings", "numbers"]

OPTIONS = {"signal", "n", "scale", "offset", "unit", "states", "not_available", "first_bit"}
OPTIONS |= {"value", "flags", "voltage", "index", "index_values", "bits", "source", "sender", "channel", "names"}
OPTIONS |= {"format", "codes"}
WAYS = ("signal", "value", "flags")
HIGHEST_ADDRESS = 255  # a J1939 address is one byte


def mappings(
    table: dict[str, object], units: Units, dbc: DbcSignals | None = None, torque_nm_per_a: float | None = None
) -> Iterator[Mapping]:
    """All mappings of a [roles] table. units: of every signal there is. dbc: what else the DBC files say.

    torque_nm_per_a: of one motor, for torques that stand in for currents.
    Raises: ValueError with the entry and what is wrong with it.
    """
    for _, found in by_role(table, units, dbc, torque_nm_per_a):
        if isinstance(found, str):
            raise ValueError(found)
        yield from found


def by_role(
    table: dict[str, object], units: Units, dbc: DbcSignals | None = None, torque_nm_per_a: float | None = None
) -> Iterator[tuple[str, list[Mapping] | str]]:
    """As mappings(), entry by entry: the mappings of a role, or what is wrong with its entry, in words."""
    reader = _Reader(units, dbc or DbcSignals(()), torque_nm_per_a, table)
    for name, entry in table.items():
        if name not in ROLES:
            near = get_close_matches(name, ROLES, n=3) or [r for r in ROLES if r.startswith(name[:4])]
            hint = f"; did you mean {' or '.join(near[:4])}?" if near else ""
            yield name, f"role {name!r} is not known{hint}"
            continue
        try:
            yield name, list(reader.entry(ROLES[name], entry))
        except (ValueError, KeyError, TypeError) as error:
            yield name, f"role {name}: {error.args[0]}"


@dataclass(frozen=True, slots=True)
class _Reader:
    units: Units
    dbc: DbcSignals
    torque_nm_per_a: float | None
    table: dict[str, object]

    def entry(self, role: Role, entry: object) -> Iterator[Mapping]:
        if isinstance(entry, str):
            entry = {"signal": entry}
        if isinstance(entry, list):
            yield from _motors_named(role, self._listed(role, entry))
            return
        if not isinstance(entry, dict):
            raise ValueError('must be "Message.Signal" or a table')
        if role.index == "side" and not {*WAYS} & set(entry):
            yield from self._sides(role, entry)
        elif role.index:
            yield from _motors_named(role, self._items(role, _known(entry), 1))
        else:
            yield self._one(role, "", _single(_known(entry)))

    def _sides(self, role: Role, entry: Entry) -> Iterator[Mapping]:
        if unknown := set(entry) - set(MOTORS):
            raise ValueError(
                f"side {sorted(unknown)[0]!r} is not one of {', '.join(MOTORS[:4])}; or number motors by n"
            )
        for side, inner in entry.items():
            if not isinstance(inner, str | dict):
                raise ValueError(f'{side} must be "Message.Signal" or a table')
            yield self._one(role, side, {"signal": inner} if isinstance(inner, str) else _single(_known(inner)))

    def _listed(self, role: Role, entries: list[object]) -> Iterator[Mapping]:
        """Pieces of one role; items count on where a piece does not number its own."""
        if not role.index:
            raise ValueError('is one value: name one signal, or a formula as in { value = "A.X + B.Y" }')
        seen: set[Item] = set()
        following = 1
        for entry in entries:
            if not isinstance(entry, str | dict):
                raise ValueError('a list holds "Message.Signal" or tables')
            piece: Entry = {"signal": entry} if isinstance(entry, str) else _known(entry)
            for mapping in self._items(role, piece, following, listed=True):
                if mapping.item in seen:
                    raise ValueError(f"item {mapping.item} stands twice in the list")
                seen.add(mapping.item)
                yield mapping
            following = max((i for i in seen if isinstance(i, int)), default=0) + 1

    def _items(self, role: Role, entry: Entry, first: int, listed: bool = False) -> Iterator[Mapping]:
        """first: number of the first item where the entry does not say n."""
        way = next((w for w in WAYS if w in entry), "signal")
        texts = self._texts(entry, way)
        chosen: list[int | None] = [*values(entry["index_values"])] if "index_values" in entry else [None]
        if ("index" in entry) != ("index_values" in entry):
            raise ValueError('index and index_values go together, as in index = "Number", index_values = "0..11"')
        several = len(texts) * len(chosen)
        if "n" in entry:
            items = numbers(entry["n"])
            if several == 1 and (counts_items(texts[0]) or {"first_bit", "bits"} & set(entry) or len(items) == 1):
                texts = texts * len(items)
            elif several != len(items):
                raise ValueError(f"n = {entry['n']!r} numbers {len(items)} items, but {several} signals are named")
        elif several > 1 or (listed and not counts_items(texts[0])):
            items = list(range(first, first + several))
        elif role.index == "side" and not counts_items(texts[0]):
            yield self._one(role, ONLY, {**entry, way: texts[0]}, chosen[0])
            return
        else:
            raise ValueError('counts from 1 and needs n, as in { signal = "Cells.Cell{n:02d}", n = "1..12" }')
        start = items[0] if "n" not in entry else 1
        named = [(value, text) for value in chosen for text in texts]
        for item, (value, text) in zip(items, named, strict=True):
            own: Entry = {**entry, way: filled(text, item)}
            yield self._one(role, item, own, value, place=item - start)

    @staticmethod
    def _texts(entry: Entry, way: str) -> list[str]:
        given = entry.get(way)
        if way == "flags":
            raise ValueError("flags make one word; this role counts items")
        if way == "value":
            return [str(given)]
        parts = given if isinstance(given, list) else [given]
        return [name for part in parts for name in expanded(str(part))]

    def _one(self, role: Role, item: Item, entry: Entry, index: int | None = None, place: int = 0) -> Mapping:
        if "voltage" in entry and (role.unit != "A" or "signal" not in entry):
            raise ValueError("voltage goes with the signal of a power that stands in for a current")
        made, unit = self._made(role, entry)
        message, signal = made.signals[0]
        scale, offset = self._conversion(role, str(entry.get("unit", unit)))
        extra, shift = scale_of(entry), number(entry, "offset", 0.0)
        bit, width = self._bits(entry, made, place)
        plain = len(made.signals) == 1 and made.text == f"{message}.{signal}"
        codes, names, unknown = codes_of(role.unit, entry, self.dbc.words(made.signals[0]))
        source = whole(entry, "source", 0) if "source" in entry else None
        if source is not None and not self._sent_by_address(made):
            raise ValueError(f"source is for J1939 messages; {message} is none")
        if source is not None and not 0 <= source <= HIGHEST_ADDRESS:
            raise ValueError(f"source = {source} is no J1939 address, 0 to {HIGHEST_ADDRESS}")
        return Mapping(
            role=role.name,
            item=item,
            message=message,
            signal=signal,
            scale=scale * extra,
            offset=offset * extra + shift,
            states=self._states(role, entry.get("states"), made),
            not_available=no_values(entry) + unknown,
            bit=bit,
            width=width,
            formula=None if plain else made,
            when=self._when(entry, made, index),
            source=source,
            channel=self.dbc.row_channel(message, str(entry.get("channel", ""))),
            bit_names=names if codes else self._bit_names(role, entry, made),
            codes=codes,
            form=self._form(role, entry, made.signals[0] if "signal" in entry else None),
        )

    def _made(self, role: Role, entry: Entry) -> tuple[Formula, str]:
        """What is read, as a formula (of one name, mostly), and the unit it comes in."""
        if "value" in entry:
            made = self._resolved(formula(self.dbc.words_as_numbers(str(entry["value"]))), entry)
            units = {self.units[name] for name in made.signals}
            if len(units) > 1 and "unit" not in entry and role.unit not in ("state", "bits", "id", "1"):
                shown = ", ".join(repr(u) for u in sorted(units))
                raise ValueError(f'the formula mixes units ({shown}): say in which it comes out, as in unit = "A"')
            return made, "" if role.unit == "1" else units.pop()
        if "flags" in entry:
            return self._flags(role, entry)
        if "format" in entry and "signal" not in entry and (form := self._form(role, entry, None)):
            message, signal = form.signals[0]
            return Formula(f"{message}.{signal}", (form.signals[0],)), ""
        if "signal" not in entry:
            raise ValueError('needs a signal, as in { signal = "Message.Signal" }')
        texts = self._texts(entry, "signal")
        if len(texts) != 1:
            raise ValueError(f"{entry['signal']!r} names {len(texts)} signals, but here one is wanted")
        name = message_and_signal(filled(texts[0], ""))
        made = self._resolved(Formula(".".join(name), (name,)), entry)
        unit = self.units[made.signals[0]]
        kind, factor = kind_of(str(entry.get("unit", unit)))
        if role.unit == "A" and (kind == "W" or "voltage" in entry):
            return self._by_power(role, entry, made, factor if kind == "W" else None), "A"
        return made, unit

    def _by_power(self, role: Role, entry: Entry, power: Formula, factor: float | None) -> Formula:
        """A current from a power, the voltage named or that of the pack."""
        if factor is None:
            raise ValueError(f'{power} is no power in W or kW (say unit = "W" if it is)')
        if role.name == "motor_current":
            raise ValueError("is a torque current: power does not give it; a torque in Nm does")
        entry.pop("unit", None)
        named, said = self._voltage_of(role, entry.get("voltage"))
        volts = self._resolved(Formula(named, (message_and_signal(named),)), entry)
        kind, per_volt = kind_of(said or self.units[volts.signals[0]])
        if kind != "V":
            raise ValueError(f"{named} is no voltage: its unit is {self.units[volts.signals[0]]!r}")
        return formula(f"{power} * {factor!r} / ({volts} * {per_volt!r})")

    def _voltage_of(self, role: Role, named: object) -> tuple[str, str]:
        """Signal and unit ("": the DBC's) of the voltage: the one named, or the pack's or charger's as it is mapped."""
        beside = self.table.get("charger_voltage" if role.name == "charger_current" else "pack_voltage")
        mapped: Entry = beside if isinstance(beside, dict) else {"signal": beside}
        signal, unit = mapped.get("signal"), str(mapped.get("unit", ""))
        if isinstance(named, str):
            return named, unit if named == signal else ""
        if named is not None:
            raise ValueError(f'voltage = {named!r} names no signal, as in voltage = "BMS_Pack.Voltage"')
        if not isinstance(signal, str):
            raise ValueError('a power needs its voltage, as in voltage = "BMS_Pack.Voltage"')
        return signal, unit

    def _flags(self, role: Role, entry: Entry) -> tuple[Formula, str]:
        if role.unit != "bits":
            raise ValueError("flags are for fault words")
        given = entry["flags"]
        names = [n for one in (given if isinstance(given, list) else [given]) for n in expanded(str(one))]
        if not 1 <= len(names) <= 32:
            raise ValueError(f"{len(names)} flags are named; a fault word has 1 to 32")
        parts = [self._resolved(Formula(n, (message_and_signal(n),)), entry).text for n in names]
        return formula(" + ".join(f"{2**k} * ({part} != 0)" for k, part in enumerate(parts))), ""

    def _resolved(self, made: Formula, entry: Entry) -> Formula:
        """The same with every message found: by sender or channel, where the entry names one. Raises: ValueError."""
        text, names = made.text, []
        for message, signal in made.signals:
            found = self.dbc.message(message, str(entry.get("sender", "")), str(entry.get("channel", "")))
            if (found, signal) not in self.units:
                raise ValueError(not_there(found, signal, self.units))
            if found != message:
                text = re.sub(
                    rf"(?<![\w.@']){re.escape(message)}\.{re.escape(signal)}(?!\w)", f"{found}.{signal}", text
                )
            names.append((found, signal))
        return Formula(text, tuple(names))

    def _conversion(self, role: Role, unit: str) -> tuple[float, float]:
        kind, factor = kind_of(unit)
        if kind != "Nm" or role.name != "motor_current":
            return conversion(role, unit)
        if not self.torque_nm_per_a:
            raise ValueError("a torque stands in for the current by [drive] torque_nm_per_a, which is not given")
        return factor / self.torque_nm_per_a, 0.0

    def _bits(self, entry: Entry, made: Formula, place: int) -> tuple[int | None, int]:
        if not {"first_bit", "bits"} & set(entry):
            return None, 1
        width = whole(entry, "bits", 1)
        first = whole(entry, "first_bit", 0) + place * width
        if not (1 <= width <= 52 and first >= 0 and first + width <= 64):
            raise ValueError(f"bits {first} to {first + width - 1} are asked for; a signal has bits 0 to 63")
        if not self.dbc.is_count(made.signals[0]):
            raise ValueError(f"{made} has a factor or an offset in its DBC file: its bits are not what it shows")
        return first, width

    def _sent_by_address(self, made: Formula) -> bool:
        return all(self.dbc.is_j1939(message) for message, _ in made.signals)

    def _when(self, entry: Entry, made: Formula, index: int | None) -> tuple[str, int] | None:
        if index is None:
            return None
        message = made.signals[0][0]
        name = str(entry["index"])
        signal = message_and_signal(name)[1] if "." in name else name
        if (message, signal) not in self.units:
            raise ValueError(not_there(message, signal, self.units))
        return signal, index

    def _states(self, role: Role, table: object, made: Formula) -> dict[int, int]:
        if role.unit != "state":
            if table:
                raise ValueError("states are for state roles only")
            return {}
        known, words = ", ".join(role.states), self.dbc.words(made.signals[0]) if len(made.signals) == 1 else {}
        if table is None and words:
            table = {str(raw): _as_state(word) for raw, word in words.items()}
        if not isinstance(table, dict) or not table:
            raise ValueError(f'needs states, as in states = {{ 0 = "{role.states[0]}" }}; known: {known}')
        by_word = {word.strip().lower(): raw for raw, word in words.items()}
        out = {}
        for raw, state in table.items():
            if state not in role.states:
                raise ValueError(f"state {state!r} is not known; known: {known}")
            number = by_word.get(str(raw).strip().lower(), raw)
            if not re.fullmatch(r"-?\d+", str(number)):
                shown = ", ".join(f"{n} = {w!r}" for n, w in sorted(words.items())) or "none"
                raise ValueError(f"states: {raw!r} is neither a number nor a word of the DBC file (its words: {shown})")
            out[int(str(number))] = role.states.index(state)
        return out

    def _form(self, role: Role, entry: Entry, signal: Name | None) -> TextForm | None:
        said = self.dbc.signal(signal) if signal and role.unit == "id" and not role.name.endswith("serial") else None
        text = str(entry.get("format", form_in_comment(said.comment, said.length) if said else ""))
        if "format" not in entry and not text:
            return None
        if role.unit != "id":
            raise ValueError("a format is for serials and versions")
        form = text_form(text, signal, self.dbc.is_big_endian)
        if missing := [name for name in form.signals if name not in self.units]:
            raise ValueError(not_there(*missing[0], self.units))
        return form

    def _bit_names(self, role: Role, entry: Entry, made: Formula) -> Names:
        if role.unit != "bits":
            if "names" in entry:
                raise ValueError("names are for fault words only")
            return ()
        own = entry.get("names")
        if own is not None and not (isinstance(own, dict) and all(str(k).isdigit() for k in own)):
            raise ValueError('names go by bit, as in names = { 0 = "over voltage", 3 = "too hot" }')
        found: dict[int, str] = {}
        if "flags" in entry:
            found = names_of_flags([self.dbc.signal(name) for name in made.signals])
        elif len(made.signals) == 1:
            found = names_of_bits(self.dbc.signal(made.signals[0]))
        found |= {int(k): str(v) for k, v in (own or {}).items()} if isinstance(own, dict) else {}
        return tuple(sorted(found.items()))


def _motors_named(role: Role, found: Iterator[Mapping]) -> Iterator[Mapping]:
    """Motors that are counted are the first, the second and so on."""
    for m in found:
        if role.index != "side" or isinstance(m.item, str):
            yield m
        elif m.item > len(ORDINALS):
            raise ValueError(f"counts motors, of which there are at most {len(ORDINALS)}")
        else:
            yield replace(m, item=ORDINALS[m.item - 1])


def _known(entry: dict[str, object]) -> Entry:
    if unknown := set(entry) - OPTIONS:
        known = ", ".join(sorted(OPTIONS))
        raise ValueError(f"option {sorted(unknown)[0]!r} is not known; the options are {known}")
    if len(ways := [w for w in WAYS if w in entry]) > 1:
        raise ValueError(f"{' and '.join(ways)} exclude each other")
    return dict(entry)


def _single(entry: Entry) -> Entry:
    """The entry of one value, which nothing counts."""
    if several := {"n", "index", "index_values"} & set(entry):
        raise ValueError(f"is one value here: {sorted(several)[0]} is for roles that count items")
    return entry


def _as_state(word: str) -> str:
    return re.sub(r"[\s_-]+", "_", word.strip().lower())
