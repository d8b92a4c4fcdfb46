"""A pack's test cut into charges, discharges and rests; where it was full and empty; charge and energy between."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.bench.dynamometer.pack_record import PackRecord
from herdbook.pipeline.bench.dynamometer.sheet import Sheet
from herdbook.pipeline.errors import InputError
from herdbook.pipeline.science.coulomb import Charge, integrate
from herdbook.pipeline.science.meta_analysis import Z95
from herdbook.pipeline.science.stretches import stretches

REST_SHARE = (
    0.005  # of the rated charge as a current, or twice the error of the zero: less is rest (engineering choice)
)
AT_END_V = 0.005  # a last sample this far above the end stands for it
LEAST_S = 30.0  # a shorter step is a pulse, not listed
ZERO_A, GAIN, VOLT_GAIN = 0.05, 0.005, 0.001  # standard errors nobody stated (engineering choice)


class Kind(StrEnum):
    CHARGE = "charge"
    DISCHARGE = "discharge"
    REST = "rest"


@dataclass(frozen=True, slots=True)
class Step:
    """first, last: samples, both included. ah, wh: that passed, positive. low_v, high_v: of the groups at its end."""

    kind: Kind
    first: int
    last: int
    begin_s: float
    seconds: float
    ah: float
    wh: float
    low_v: float
    high_v: float
    end_a: float
    temp_c: float


@dataclass(frozen=True, slots=True)
class Ends:
    """What counts as full and as empty, and the errors of the instruments."""

    full_v: float
    full_a: float
    empty_v: float
    begins: str
    gap_s: float
    zero_a: float
    gain: float
    volt_gain: float


@dataclass(frozen=True, slots=True)
class Passed:
    """Charge and energy between two marks, with the half widths of their 95 % intervals. kind: of the way between."""

    kind: Kind
    ah: float
    ah_half: float
    wh: float
    wh_half: float
    hours: float
    first: int
    last: int
    coverage: float
    seldom_ah: float  # standard error by when the current stepped between samples


@dataclass(frozen=True, slots=True)
class RoundTrip:
    """Shares 0 to 1 with half widths: of the energy put in that comes out, and of the charge."""

    energy: float
    energy_half: float
    charge: float
    charge_half: float

    @property
    def voltage(self) -> float:
        """Of the energy of each ampere-hour that went in, what came back: ends that are not quite alike cancel."""
        return self.energy / self.charge

    @property
    def alike(self) -> bool:
        """As much charge came out as went in, within its error: else the two ends were not the same state."""
        return abs(self.charge - 1.0) <= max(self.charge_half, 0.004)


def ends_of(sheet: Sheet, record: PackRecord, told: list[str]) -> Ends:
    """Raises: InputError for a wrong sheet, or where nothing says what is full."""
    pack = record.profile.pack_figures if record.profile is not None else None
    usual_a = 0.05 * record.rated_ah
    full_v = pack.of_chemistry.full_v if pack is not None else None
    empty_v = pack.cell_min_v if pack is not None else None
    given = sheet.table("errors")
    if not given.raw:
        told.append(
            f"Errors of the instruments are assumed: {ZERO_A} A and {GAIN:.1%}, volts {VOLT_GAIN:.1%} ([errors])."
        )
    found = Ends(
        full_v=sheet.number("full_v", "V", 0.5, 5.0, full_v),
        full_a=sheet.number("full_a", "A", 0.0, 500.0, usual_a),
        empty_v=sheet.number("empty_v", "V", 0.5, 5.0, empty_v),
        begins=sheet.text("begins", "unknown", ("full", "empty", "unknown")),
        gap_s=sheet.number("gap_s", "s", 1.0, 3600.0, 120.0),
        zero_a=given.number("current_a", "A", 0.0, 100.0, ZERO_A),
        gain=given.number("current_pct", "%", 0.0, 20.0, 100 * GAIN) / 100.0,
        volt_gain=given.number("voltage_pct", "%", 0.0, 20.0, 100 * VOLT_GAIN) / 100.0,
    )
    given.all_known()
    return found


def steps_of(record: PackRecord, ends: Ends) -> list[Step]:
    """In order of time; what is shorter than half a minute is left to the pulses. Raises: InputError when none is."""
    quiet = max(2.0 * ends.zero_a, REST_SHARE * record.rated_ah)
    run = integrate(record.t, record.current, ends.gap_s).run
    energy = integrate(record.t, record.current * record.pack_v, ends.gap_s).run
    out = []
    for kind, on in (
        (Kind.CHARGE, record.current < -quiet),
        (Kind.DISCHARGE, record.current > quiet),
        (Kind.REST, np.abs(record.current) <= quiet),
    ):
        found = stretches(record.t, on, gap_s=ends.gap_s, least_s=LEAST_S, least_n=3)
        for a, b in zip(found.first.tolist(), found.last.tolist(), strict=True):
            volts = record.group_v[b]
            out.append(
                Step(
                    kind=kind,
                    first=a,
                    last=b,
                    begin_s=float(record.seconds[a]),
                    seconds=float((record.t[b] - record.t[a]) / 1e6),
                    ah=abs(float(run[b] - run[a])),
                    wh=abs(float(energy[b] - energy[a])),
                    low_v=float(np.nanmin(volts)) if np.isfinite(volts).any() else float("nan"),
                    high_v=float(np.nanmax(volts)) if np.isfinite(volts).any() else float("nan"),
                    end_a=float(np.abs(record.current[max(a, b - 2) : b + 1]).min()),
                    temp_c=_mean(record.temp_c[a : b + 1]),
                )
            )
    if not out:
        raise InputError("no charge, discharge or rest of half a minute", "", "Record a whole test")
    return sorted(out, key=lambda s: s.first)


def _mean(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if known.size else float("nan")


def marks_of(record: PackRecord, steps: list[Step], ends: Ends) -> list[tuple[str, int]]:
    """ "full" and "empty" with the sample at which the pack was so, in order of time, never two alike in a row."""
    out: list[tuple[str, int]] = [(ends.begins, 0)] if ends.begins != "unknown" else []
    for step in steps:
        if step.kind is Kind.CHARGE and step.end_a <= ends.full_a and step.high_v >= ends.full_v:
            out.append(("full", step.last))
        if step.kind is Kind.DISCHARGE:
            lowest = record.group_v[max(step.first, step.last - 2) : step.last + 1]
            if np.isfinite(lowest).any() and float(np.nanmin(lowest)) <= ends.empty_v + AT_END_V:
                out.append(("empty", step.last))
    kept: list[tuple[str, int]] = []
    for mark in out:
        if kept and kept[-1][0] == mark[0]:
            kept[-1] = mark  # charged again, or emptied further: the later one begins what follows
        else:
            kept.append(mark)
    return kept


def passed_between(record: PackRecord, marks: list[tuple[str, int]], ends: Ends) -> list[Passed]:
    """From each mark to the next of the other sort."""
    out = []
    for (name, a), (_, b) in pairwise(marks):
        piece = slice(a, b + 1)
        t, current = record.t[piece], record.current[piece]
        charge = integrate(t, current, ends.gap_s)
        energy = integrate(t, current * record.pack_v[piece], ends.gap_s)
        sign = 1.0 if name == "full" else -1.0
        out.append(_passed(charge, energy, sign, a, b, record, ends))
    return out


def _passed(charge: Charge, energy: Charge, sign: float, a: int, b: int, record: PackRecord, ends: Ends) -> Passed:
    hours = float(record.t[b] - record.t[a]) / 3.6e9
    ah, wh = sign * float(charge.run[-1]), sign * float(energy.run[-1])
    volts = _mean(record.pack_v[a : b + 1])
    missed = (1.0 - charge.coverage) * max(charge.out_ah, charge.in_ah)
    seldom = _between_samples(record, a, b, ends)
    ah_se = float(np.sqrt((ends.zero_a * hours) ** 2 + (ends.gain * ah) ** 2 + missed**2 + seldom**2))
    gains = (ends.gain**2 + ends.volt_gain**2) * wh**2
    wh_se = float(np.sqrt(volts**2 * ((ends.zero_a * hours) ** 2 + missed**2 + seldom**2) + gains))
    kind = Kind.DISCHARGE if sign > 0 else Kind.CHARGE
    return Passed(
        kind=kind,
        ah=ah,
        ah_half=Z95 * ah_se,
        wh=wh,
        wh_half=Z95 * wh_se,
        hours=hours,
        first=a,
        last=b,
        coverage=charge.coverage,
        seldom_ah=seldom,
    )


def _between_samples(record: PackRecord, a: int, b: int, ends: Ends) -> float:
    """Standard error [Ah] of when the current stepped between two samples: anywhere, evenly."""
    dt = np.diff(record.t[a : b + 1]) / 3.6e9
    steps = np.diff(record.current[a : b + 1]) * np.where(dt <= ends.gap_s / 3600.0, dt, 0.0)
    return float(np.sqrt((steps**2).sum() / 12.0))


def round_trip(passed: list[Passed], record: PackRecord, ends: Ends) -> RoundTrip | None:
    """Of the last discharge and charge that follow each other from a mark to the same mark; None without one. Gains of
    the sensors cancel; a zero of the current adds on one way and takes off on the other."""
    for first, second in zip(reversed(passed[:-1]), reversed(passed[1:]), strict=True):
        out, into = (first, second) if first.kind is Kind.DISCHARGE else (second, first)
        if out.wh <= 0 or into.wh <= 0:
            continue
        seldom = float(np.hypot(out.seldom_ah / out.ah, into.seldom_ah / into.ah))
        share_ah = float(np.hypot(ends.zero_a * (out.hours / out.ah + into.hours / into.ah), seldom))
        volts = _mean(record.pack_v)
        share_wh = float(np.hypot(ends.zero_a * volts * (out.hours / out.wh + into.hours / into.wh), seldom))
        energy, charge = out.wh / into.wh, out.ah / into.ah
        return RoundTrip(energy, Z95 * energy * share_wh, charge, Z95 * charge * share_ah)
    return None
