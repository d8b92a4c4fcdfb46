"""The pack test: capacity, energy, round trip, and what each group shows of itself while charged and discharged."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.bench.dynamometer.pack_groups import (
    Curve,
    GroupCharge,
    PulseBin,
    Rest,
    curves,
    group_charge,
    middle_ohm,
    pulses,
    rests,
)
from herdbook.pipeline.bench.dynamometer.pack_record import PackRecord, pack_record
from herdbook.pipeline.bench.dynamometer.pack_steps import (
    Ends,
    Kind,
    Passed,
    RoundTrip,
    Step,
    ends_of,
    marks_of,
    passed_between,
    round_trip,
    steps_of,
)
from herdbook.pipeline.bench.dynamometer.sheet import name_of, read_sheet
from herdbook.pipeline.errors import InputError
from herdbook.pipeline.science.coulomb import integrate

FAST_RATE = 0.25  # of the rated charge an hour: a faster curve is smeared by resistance (common practice: a tenth)


@dataclass(frozen=True, slots=True)
class Pack:
    """The result. ends: of what passed between full and empty; soc_pct (n,): charge at each sample, NaN where no end
    anchors it; told: what was assumed or is missing."""

    name: str
    record: PackRecord
    ends: Ends
    steps: tuple[Step, ...]
    passed: tuple[Passed, ...]
    trip: RoundTrip | None
    curves: tuple[Curve, ...]
    rests: tuple[Rest, ...]
    pulses: tuple[PulseBin, ...]
    groups: GroupCharge | None
    soc_pct: Floats
    told: tuple[str, ...]

    @property
    def capacity(self) -> Passed | None:
        """The last whole discharge from full to empty; else the last whole charge."""
        for kind in (Kind.DISCHARGE, Kind.CHARGE):
            for one in reversed(self.passed):
                if one.kind is kind:
                    return one
        return None

    def first_at_the_end(self, kind: Kind) -> int | None:
        """Number of the group that ended the way first: lowest of a discharge, highest of a charge."""
        mine = [p for p in self.passed if p.kind is kind]
        if not mine:
            return None
        volts = self.record.group_v[mine[-1].last]
        if not np.isfinite(volts).any():
            return None
        place = int(np.nanargmin(volts) if kind is Kind.DISCHARGE else np.nanargmax(volts))
        return self.record.groups[place]


def pack(path: Path | str, instruments: bool = True) -> Pack:
    """The test a sheet describes. instruments: their errors count. Raises: InputError, with the reason."""
    sheet = read_sheet(path, "pack")
    name = name_of(sheet)
    record = pack_record(sheet)
    told = list(record.told)
    ends = ends_of(sheet, record, told)
    sheet.all_known()
    if not instruments:
        from dataclasses import replace

        ends = replace(ends, zero_a=0.0, gain=0.0, volt_gain=0.0)
        told.append("Errors of the instruments are left out: that both tests had the same ones is the tester's word.")
    steps = steps_of(record, ends)
    marks = marks_of(record, steps, ends)
    passed = passed_between(record, marks, ends)
    soc = _charge(record, marks, passed, ends, told)
    bins = pulses(record, soc, ends.gain)
    found = curves(record, steps, ends)
    trip = round_trip(passed, record, ends)
    groups = group_charge(record, found, middle_ohm(bins, len(record.groups)))
    told += _missing(passed, marks, trip, found, bins, groups, ends)
    if not (passed or found or bins):
        what = "holds no whole charge or discharge, no quarter of one, and no pulse: there is nothing to say of it"
        raise InputError(what, sheet.path, "Record a charge or discharge from end to end, or pulses")
    return Pack(
        name=name,
        record=record,
        ends=ends,
        steps=tuple(steps),
        passed=tuple(passed),
        trip=trip,
        curves=tuple(found),
        rests=tuple(rests(record, steps)),
        pulses=tuple(bins),
        groups=groups,
        soc_pct=soc,
        told=tuple(dict.fromkeys(told)),
    )


def _charge(
    record: PackRecord, marks: list[tuple[str, int]], passed: list[Passed], ends: Ends, told: list[str]
) -> Floats:
    """Charge in per cent at each sample, counted from the nearest end before (or after, at the beginning)."""
    run = integrate(record.t, record.current, ends.gap_s).run
    size = passed[-1].ah if passed else record.rated_ah
    if not marks:
        if record.soc_pct == record.soc_pct:
            told.append("Nowhere was the pack full or empty: charge is counted from what it reported at the start.")
            return np.asarray(record.soc_pct - 100.0 * run / record.rated_ah)
        return np.full(run.size, np.nan)
    if not passed:
        told.append("Only one end was reached: charge in per cent is of the rated charge.")
    at = np.array([place for _, place in marks])
    level = np.array([100.0 if name == "full" else 0.0 for name, _ in marks])
    k = np.maximum(np.searchsorted(at, np.arange(run.size), side="right") - 1, 0)
    return np.asarray(np.clip(level[k] - 100.0 * (run - run[at[k]]) / size, -5.0, 105.0))


def _missing(
    passed: list[Passed],
    marks: list[tuple[str, int]],
    trip: RoundTrip | None,
    found: list[Curve],
    bins: list[PulseBin],
    groups: GroupCharge | None,
    ends: Ends,
) -> list[str]:
    out = []
    if not passed:
        seen = ", ".join(name for name, _ in marks) or "neither"
        out.append(
            f"The capacity is not known: the pack must go from full ({ends.full_v:g} V, {ends.full_a:g} A or less) to "
            f"empty ({ends.empty_v:g} V), or back; seen: {seen}. A test that begins full says so: begins."
        )
    if trip is None:
        out.append("The round trip is not known: it needs a discharge and a charge between the same two ends.")
    elif not trip.alike:
        more = "More" if trip.charge > 1.0 else "Less"
        out.append(
            f"{more} charge came out than went in ({100 * trip.charge:.1f} %): the two ends were not the same state, "
            "and the energy that comes back is off by as much. What comes back for each ampere-hour is not."
        )
    out += [
        f"The {c.kind} went at {c.rate:.2g} of the rated charge an hour, which smears its peaks; a tenth does not."
        for c in found
        if c.rate > FAST_RATE
    ]
    if not bins:
        out.append("No resistance: it needs pulses out of rest, 10 s or longer, recorded twice a second or oftener.")
    if groups is None:
        out.append("Capacities of groups are not told apart: it needs a whole charge and discharge, and a profile.")
    return out


@dataclass(frozen=True, slots=True)
class PackChange:
    """Second less first: name, unit, value, half width; NaN where no interval is known."""

    first: Pack
    second: Pack
    rows: tuple[tuple[str, str, float, float], ...]


def compare_packs(first: Pack, second: Pack) -> PackChange:
    """Raises: InputError when the two have no figure in common."""
    rows: list[tuple[str, str, float, float]] = []
    a, b = first.capacity, second.capacity
    if a is not None and b is not None and a.kind is b.kind:
        rows.append((f"charge of the {a.kind}", "Ah", b.ah - a.ah, float(np.hypot(a.ah_half, b.ah_half))))
        rows.append((f"energy of the {a.kind}", "Wh", b.wh - a.wh, float(np.hypot(a.wh_half, b.wh_half))))
    if first.trip is not None and second.trip is not None:
        half = float(np.hypot(first.trip.energy_half, second.trip.energy_half))
        rows.append(("energy that comes back", "points", 100 * (second.trip.energy - first.trip.energy), 100 * half))
    for one in first.pulses:
        for other in second.pulses:
            if (one.soc_pct, one.temp_c, one.charging) == (other.soc_pct, other.temp_c, other.charging):
                way = "charging" if one.charging else "discharging"
                name = f"median group's resistance {way}, {one.soc_pct:.0f} %, {one.temp_c:.0f} °C"
                change = 1000 * float(np.median(other.ohm) - np.median(one.ohm))
                reach = 1000 * float(np.hypot(np.median(one.half), np.median(other.half)))
                rows.append((name, "mOhm", change, reach))
    if not rows:
        raise InputError(f"{first.name} and {second.name} have no figure in common", "", "Test both alike")
    return PackChange(first, second, tuple(rows))
