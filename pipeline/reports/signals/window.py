"""A window on the raw wires: any signals of a vehicle between two times, by role or by their name in the DBC.

A name is a role ("pack_current"), one item of a role ("cell_voltage[7]", "motor_temp[left]") or a signal as
the DBC calls it ("BMS_Pack.PackVoltage": DBC units, nothing converted, nothing taken out but doubtful time). Of a
further pack side by side a role is named with its number ("pack_2_cell_voltage[7]").
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from herdbook.pipeline.errors import NotKnownError
from herdbook.pipeline.reports.drawing import traces
from herdbook.pipeline.reports.drawing.thin import keep
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.times import from_micros, stamp
from herdbook.pipeline.vehicle.packs import PACK_ROLES, marked, unmarked
from herdbook.pipeline.vehicle.roles import ROLES
from herdbook.pipeline.vehicle.signals import Series, Signals

if TYPE_CHECKING:
    from herdbook.pipeline.lake.read import LogRef
    from herdbook.pipeline.store.store import Store
    from herdbook.pipeline.vehicle.profile import Profile

_NAME = re.compile(r"(?P<pack>pack_\d+_)?(?P<role>[a-z_]+)(?:\[(?P<item>[^\]]+)\])?")


@dataclass(frozen=True, slots=True)
class Wire:
    """One signal: t microseconds UTC, rising; v as recorded (raw signals keep their integer type)."""

    name: str
    unit: str
    t: NDArray[np.int64]
    v: NDArray[Any]
    states: tuple[str, ...] = ()

    def floats(self) -> Series:
        return Series(self.t, self.v.astype(np.float64))


def gather(store: Store, vehicle: str, names: Sequence[str], start: int, end: int) -> list[Wire]:
    """The wires in the order asked for; a role without an item gives all its items, one that no log has an empty wire.

    Raises: NotKnownError for an unknown vehicle or name (with near ones), or when nothing was recorded then.
    """
    wanted = [asked(name) for name in names]
    signals: dict[int, Signals] = {}
    for pack in {pack for pack, _, _ in wanted if pack}:
        roles = {role for of, role, _ in wanted if of == pack}
        signals[pack] = traces.load(store, vehicle, start, end, tuple(sorted(roles)), pack=pack)
    found: list[Wire] = []
    for pack, role, item in wanted:
        found += _of_role(signals[pack], pack, role, item) if pack else _raw(store, vehicle, role, start, end)
    if not any(len(wire.t) for wire in found):
        span = numbers.span(from_micros(start), from_micros(end), None)
        raise NotKnownError(
            f"nothing of {', '.join(names)} was recorded for {vehicle} from {span} UTC",
            do="Ask for another time; the dossier shows which times are covered",
        )
    return found


def described(wire: Wire, points: int | None = None) -> dict[str, Any]:
    """A wire in numbers: n, times, lowest, median, highest; with points also its samples, thinned with spikes kept."""
    v = wire.v.astype(np.float64)
    good = v[np.isfinite(v)]
    out: dict[str, Any] = {"name": wire.name, "unit": wire.unit, "n": len(wire.t)}
    out |= {"states": list(wire.states)} if wire.states else {}
    if len(wire.t):
        out |= {"first": stamp(int(wire.t[0])), "last": stamp(int(wire.t[-1]))}
    if good.size:
        out |= {"lowest": float(good.min()), "median": float(np.median(good)), "highest": float(good.max())}
    if points:
        kept = keep(v, points)
        out["samples"] = [[stamp(int(t)), float(x)] for t, x in zip(wire.t[kept], v[kept], strict=True)]
    return out


def asked(name: str) -> tuple[int, str, str]:
    """Pack, role and item; pack 0 for Message.Signal. Raises: NotKnownError, with near ones."""
    match = _NAME.fullmatch(name)
    if match and match["role"] in (PACK_ROLES if match["pack"] else ROLES):
        return unmarked(f"{match['pack'] or ''}x")[0], match["role"], match["item"] or ""
    if "." in name:
        return 0, name, ""
    near = difflib.get_close_matches(name, ROLES, 3, 0.5)
    raise NotKnownError(
        f"{name!r} is neither a role nor a Message.Signal", do=f"Near roles: {', '.join(near) or 'none'}"
    )


def _of_role(signals: Signals, pack: int, role: str, item: str) -> list[Wire]:
    name = marked(pack, role)
    items = [i for i in signals.items(role) if not item or str(i) == item]
    about = ROLES[role]
    if not items:
        return [Wire(f"{name}[{item}]" if item else name, about.unit, np.empty(0, np.int64), np.empty(0), about.states)]
    return [
        Wire(name if i == "" else f"{name}[{i}]", about.unit, s.t, s.v, about.states)
        for i in items
        for s in [signals.series(role, i)]
    ]


def _raw(store: Store, vehicle: str, name: str, start: int, end: int) -> list[Wire]:
    from herdbook.pipeline.lake.read import log_refs

    message, signal = name.split(".", 1)
    with store.read() as con:
        refs = log_refs(con, vehicle, start, end)
    times: list[NDArray[np.int64]] = []
    values: list[NDArray[Any]] = []
    for ref in refs:
        part = store.lake.open(ref.part, ref.hash)
        if name in part.columns:
            for piece in part.rows({message: [signal]}, ref.log, max(start, ref.start), min(end, ref.end + 1)):
                column = piece.columns[signal]
                keep = _sure(piece.t, ref) if column.valid is None else column.valid & _sure(piece.t, ref)
                times.append(piece.t[keep])
                values.append(column.values[keep])
    if not times:
        raise NotKnownError(f"no signal {name!r} was recorded then", do=_near_signals(store, refs, name))
    t, first = np.unique(np.concatenate(times), return_index=True)
    profiles = {p.name: p for p in store.profiles()}
    return [Wire(name, _unit(profiles.get(refs[0].profile), message, signal), t, np.concatenate(values)[first])]


def _sure(t: NDArray[np.int64], ref: LogRef) -> NDArray[np.bool_]:
    """False where the log itself claims a time twice."""
    sure = np.ones(t.shape, bool)
    for a, b in ref.doubts:
        sure &= (t < a) | (t > b)
    return sure


def _unit(profile: Profile | None, message: str, signal: str) -> str:
    if profile is None:
        return ""
    layout = profile.network().by_name.get(message)
    return next((s.unit for s in layout.signals if s.name == signal), "") if layout else ""


def _near_signals(store: Store, refs: Sequence[LogRef], name: str) -> str:
    known = {column for ref in refs[:3] for column in store.lake.open(ref.part, ref.hash).columns}
    near = difflib.get_close_matches(name, known, 3, 0.4)
    return f"Near names: {', '.join(near)}" if near else "No log covers that time"
