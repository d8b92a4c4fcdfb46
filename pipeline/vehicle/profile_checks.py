"""What is cheap to get wrong in a profile and dear to find later: roles against the DBC files, counts, identity."""

from __future__ import annotations

import re
from collections.abc import Mapping as Table
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from herdbook.pipeline.vehicle.chemistry import OWN, ChemistryError, chemistries, load_chemistry, why_not_held
from herdbook.pipeline.vehicle.dbc_signals import DbcSignals
from herdbook.pipeline.vehicle.fault_codes import are_codes
from herdbook.pipeline.vehicle.ocv_file import read_ocv
from herdbook.pipeline.vehicle.problems import Findings
from herdbook.pipeline.vehicle.role_table import Mapping, Units, by_role
from herdbook.pipeline.vehicle.roles import MOTORS, ROLES
from herdbook.pipeline.vehicle.units import FREE, conversion

if TYPE_CHECKING:
    from herdbook.decoders import Network

OTHER_PACK = "Map the rest too: an [[other_pack]] each, with its signals under [other_pack.roles]"
REMARKS = ("shared", "meant")  # options that say: this is meant as it stands
SAME = 1e-6

# Roles that may honestly be one signal: the same limit said once, one fault word of several units, one number.
ALIKE = (
    {"charge_limit", "regen_allowed"},
    {name for name, role in ROLES.items() if role.unit == "bits"},
    {name for name, role in ROLES.items() if role.unit == "id"},
)


def own_files(pack: dict[str, Any], folder: Path, found: Findings) -> tuple[dict[str, Any], list[bytes]]:
    """The [pack] table with what its own files hold, and their bytes: a chemistry and a curve beside the profile."""
    pack, beside = dict(pack), []
    named = pack.get("chemistry")
    if isinstance(named, str) and named.endswith(OWN):
        path = (folder / named).resolve()
        try:
            load_chemistry(path)
            pack["chemistry"] = str(path)
            beside.append(path.read_bytes())
        except ChemistryError as error:
            found.wrong(("pack", "chemistry"), f"[pack] chemistry: {error}")
            del pack["chemistry"]
    elif isinstance(named, str) and named.upper() not in chemistries():
        known = ", ".join(chemistries())
        do = f'Known: {known}. Of another one write a file of its own beside the profile: chemistry = "ours{OWN}"'
        if why := why_not_held(named):
            do = why if why.startswith("Write") else f"{why[0].upper()}{why[1:]}. {do}"
        found.wrong(("pack", "chemistry"), f"[pack] no such chemistry: {named!r}", do)
        del pack["chemistry"]
    if isinstance(curve := pack.get("ocv_file"), str):
        try:
            columns = read_ocv(folder / curve)
            pack |= {"ocv_soc_pct": columns["soc_pct"], "ocv_v": columns["v"]}
            pack |= {"ocv_sd_v": columns["sd_v"]} if "sd_v" in columns else {}
            beside.append((folder / curve).read_bytes())
        except ValueError as error:
            found.wrong(("pack", "ocv_file"), f"[pack] ocv_file: {error}", "Correct it there")
    soc, volts = pack.get("ocv_soc_pct"), pack.get("ocv_v")
    if (soc is None) != (volts is None) or (soc is not None and len(soc) != len(volts or ())):
        what = "[pack] ocv_soc_pct and ocv_v do not belong together"
        found.wrong(
            ("pack", "ocv_soc_pct" if soc is not None else "ocv_v"), what, "Give both, each with as many values"
        )
        pack = {k: v for k, v in pack.items() if k not in ("ocv_soc_pct", "ocv_v")}
    return pack, beside


def check_roles(table: object, network: Network, torque_nm_per_a: float | None, found: Findings) -> tuple[Mapping, ...]:
    """All mappings that are sound; an entry that is not is told and left out. torque_nm_per_a: of one motor."""
    if not isinstance(table, dict):
        return ()
    units = {(m.name, s.name): s.unit for m in network.messages for s in m.signals}
    dbc = DbcSignals.of(network)
    roles: list[Mapping] = []
    plain = {name: _without_remarks(entry) for name, entry in table.items()}
    for name, some in by_role(plain, units, dbc, torque_nm_per_a):
        if isinstance(some, str):
            found.wrong(("roles", name), some)
            continue
        roles += some
    _check_twice(roles, table, found)
    _check_units(roles, table, units, found)
    _check_codes(roles, dbc, found)
    return tuple(roles)


def _without_remarks(entry: object) -> object:
    """An entry without what says only that something unusual is meant."""
    if isinstance(entry, list):
        return [_without_remarks(one) for one in entry]
    if not isinstance(entry, dict):
        return entry
    return {k: _without_remarks(v) if k in MOTORS else v for k, v in entry.items() if k not in REMARKS}


def remarked(entry: object, word: str) -> bool:
    """Does an entry of [roles] say this of REMARKS, itself or for one of its motors?"""
    if isinstance(entry, list):
        return any(remarked(one, word) for one in entry)
    return isinstance(entry, dict) and (entry.get(word) is True or any(remarked(entry.get(m), word) for m in MOTORS))


def _check_codes(roles: list[Mapping], dbc: DbcSignals, found: Findings) -> None:
    """A fault word whose DBC file names numbers that are no bits: code 3 would be read as the faults 0 and 1."""
    told: set[str] = set()
    for m in roles:
        words = dbc.words((m.message, m.signal))
        plain = not (m.codes or m.formula or m.bit is not None or m.role in told)
        if ROLES[m.role].unit == "bits" and plain and are_codes(words):
            told.add(m.role)
            some = ", ".join(f"{raw} = {word}" for raw, word in sorted(words.items())[:3])
            what = f"{_shown(m)}: the DBC file names the numbers of {m.words} ({some}): codes, it seems, and no bits"
            found.doubt(("roles", m.role), what, "Write codes = true into this entry")


def _check_units(roles: list[Mapping], table: Table[str, object], units: Units, found: Findings) -> None:
    """The DBC file names a signal's unit, and the entry makes something else of it: one of them is wrong."""
    told: set[str] = set()
    for m in roles:
        role = ROLES[m.role]
        if m.role in told or m.formula or m.bit is not None or role.unit in (*FREE, "1"):
            continue
        try:
            factor, _ = conversion(role, units[m.message, m.signal])
        except KeyError:  # no unit there, or none that is one of this role
            continue
        times = abs(m.scale / factor)
        if abs(times - 1) > SAME and not remarked(table.get(m.role), "meant"):
            told.add(m.role)
            given = units[m.message, m.signal]
            what = f"{_shown(m)}: {m.words} is in {given} by the DBC file, but read as {times:.3g} times that"
            do = "Take unit or scale away; if it is the DBC file that is wrong, write meant = true into this entry"
            found.doubt(("roles", m.role), what, do)


def _check_twice(roles: list[Mapping], table: Table[str, object], found: Findings) -> None:
    """One signal, read in the same way, as two roles or two items: one of them is a slip of the pen."""
    seen: dict[str, Mapping] = {}
    told: set[tuple[str, str]] = set()
    for m in roles:
        alike = repr(replace(m, role="", item="", states={}, not_available=(), bit_names=()))
        first = seen.setdefault(alike, m)
        pair = (first.role, m.role)
        if first is m or pair in told or _may_share(first, m, table):
            continue
        told.add(pair)
        what = f"{m.words} is both {_shown(first)} and {_shown(m)}"
        found.wrong(("roles", m.role), what, "Correct one of them; if it is meant, write shared = true into this entry")


def _may_share(one: Mapping, other: Mapping, table: Table[str, object]) -> bool:
    if any(remarked(table.get(m.role), "shared") for m in (one, other)):
        return True
    if ROLES[one.role].unit == "state" and ROLES[other.role].unit == "state":
        return one.role != other.role and one.states != other.states
    return any({one.role, other.role} <= alike for alike in ALIKE)


def _shown(m: Mapping) -> str:
    return f"{m.role}[{m.item}]" if m.item != "" else m.role


def check_counts(pack: Table[str, object], roles: Sequence[Mapping], found: Findings, packs: int = 1) -> None:
    """Numbers of groups, sensors and sides against what is mapped. packs: how many of them are mapped."""
    for role, key, what in (("cell_voltage", "cells", "groups"), ("cell_temp", "sensors", "sensors")):
        mapped = sum(m.role == role for m in roles)
        said = pack.get(key)
        if mapped and isinstance(said, int | float) and mapped != said:
            do = "Map the missing ones, or correct the count" if mapped < said else "Correct the count, or the mapping"
            found.wrong(("pack", key), f"[pack] {key} = {said:g}, but {role} maps {mapped} {what}", do)
    _several_packs(pack, roles, found, packs)
    have = {m.role for m in roles}
    refused = any("chemistry" in p.what for p in found.errors)
    if have & {"cell_voltage", "pack_voltage"} and "chemistry" not in pack and not refused:
        do = f'Write chemistry = "{chemistries()[0]}", or the one it is ({", ".join(chemistries())})'
        found.doubt(("pack",), "[pack] names no chemistry: voltages are read by the limits of LFP", do)
    if "cell_voltage" in have and "cells" not in pack:
        found.doubt(("pack",), "[pack] does not say how many cells there are: a group left out would not be noticed")
    if have & {"cell_voltage", "pack_current"} and "rated_ah" not in pack:
        what = "[pack] gives no rated_ah: most rules of cells, pack and charging are not assessed"
        found.doubt(("pack",), what, "Write rated_ah = 30.0, the rated charge in Ah")
    numbers = sorted(m.item for m in roles if m.role == "cell_voltage" and isinstance(m.item, int))
    if numbers and numbers != list(range(1, len(numbers) + 1)):
        missing = sorted(set(range(1, numbers[-1] + 1)) - set(numbers))
        more = f" and {len(missing) - 6} more" if len(missing) > 6 else ""
        which = f"group{'s' * (len(missing) > 1)} {', '.join(map(str, missing[:6]))}{more}"
        found.doubt(("roles", "cell_voltage"), f"cell_voltage leaves out {which}")


def _several_packs(pack: Table[str, object], roles: Sequence[Mapping], found: Findings, mapped: int) -> None:
    """Packs side by side: those that are mapped are judged, and what is not is said; a sum of their currents is no
    group's current."""
    packs = pack.get("beside")
    if isinstance(packs, int | float) and packs > 1:
        if packs > mapped:
            what = f"[pack] beside = {packs:g}: {judged(packs, mapped)}, nor what joins pack and drive"
            found.doubt(("pack", "beside"), what, OTHER_PACK)
        return
    current = next((m for m in roles if m.role == "pack_current" and m.formula), None)
    messages = {message for message, _ in current.reads} if current else set()
    if current and len(messages) > 1 and any(m.role == "cell_voltage" for m in roles) and "+" in current.words:
        what = (
            f"pack_current adds {' and '.join(sorted(messages))}: are they packs side by side? No group carries the sum"
        )
        do = "Map current, voltage and groups of one pack under [roles], and those of the other as an [[other_pack]]"
        found.doubt(("roles", "pack_current"), what, do)


def judged(packs: float, mapped: int = 1) -> str:
    """Which packs are judged, and which are not."""
    some = "the pack that is mapped is judged" if mapped == 1 else f"the {mapped} packs that are mapped are judged"
    left = packs - mapped
    return f"{some}, the other{'' if left == 1 else f' {left:g}'} {'is' if left == 1 else 'are'} not"


def check_valid(start: int | None, end: int | None, found: Findings) -> None:
    """start, end: microseconds UTC; None is open."""
    if start is not None and end is not None and start >= end:
        found.wrong(
            ("valid", "to"), "[valid] to is not after from: no log could be of this profile", "Correct one of them"
        )


def check_identity(profile: Table[str, Table[str, object]], roles: Sequence[Mapping], found: Findings) -> None:
    """profile: its tables; [identity] and the zone of [vehicle] are looked at."""
    identity = profile.get("identity", {})
    zone = profile.get("vehicle", {}).get("zone")
    if zone is not None:
        try:
            ZoneInfo(str(zone))
        except (KeyError, ValueError, OSError):
            found.wrong(("vehicle", "zone"), f"[vehicle] zone {zone!r} is no time zone such as Europe/Vienna")
    pattern = identity.get("path")
    if pattern is not None:
        try:
            groups = re.compile(str(pattern)).groupindex
        except re.error as error:
            found.wrong(("identity", "path"), f"[identity] path is no pattern: {error}", "Correct it")
        else:
            if "vehicle" not in groups:
                found.wrong(("identity", "path"), "[identity] path needs a group (?P<vehicle>...)")
    form = str(identity.get("vehicle", "{serial}"))
    if not re.fullmatch(r"[^{}]*\{serial(:0?\d*d)?\}[^{}]*", form):
        what = '[identity] vehicle must hold {serial} once, as in "HB-{serial:05d}"'
        found.wrong(("identity", "vehicle"), what)
    if pattern is None and not any(m.role == "vehicle_serial" for m in roles) and roles:
        what = "nothing in the profile says whose a log is: no [identity] path, no role vehicle_serial"
        do = "Add one of them; else each log needs a sidecar, or herdbook.toml a pattern in paths"
        found.doubt(("identity",), what, do)
