"""What a pack's test says of each group: incremental capacity, relaxation, capacity against the median, resistance."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import sqrt

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats
from herdbook.pipeline.bench.dynamometer.pack_record import PackRecord
from herdbook.pipeline.bench.dynamometer.pack_steps import Ends, Kind, Step
from herdbook.pipeline.science import knee
from herdbook.pipeline.science.coulomb import integrate
from herdbook.pipeline.science.incremental import Incremental, incremental
from herdbook.pipeline.science.meta_analysis import Z95
from herdbook.pipeline.science.pulses import BEFORE_S, Running, find_steps, responses
from herdbook.pipeline.science.relaxation import Relaxed, relaxed
from herdbook.pipeline.science.robust_fit import MAD_TO_SD, median, medians
from herdbook.pipeline.science.stretches import stretches

PULSE_S, EARLY_S = 10.0, 2.0
PULSE_SHARE, PULSE_RANGE = 0.15, 0.02  # least step and allowed waver, of the rated charge as a current
BIN_V = 0.003
LEAST_NOISE_V = 3e-4  # what rounding to a millivolt leaves
LEAST_SHARE = 0.25  # of the rated charge a way must pass to be drawn
LEAST_REST_S, REST_SAMPLES = 300.0, 800
SOC_BIN, TEMP_BIN = 5.0, 5.0
FAST_S = 0.5  # sampled at least so often, or no pulse is looked for
FLAT_V = 0.004  # per 1 % of charge: less steep, and nobody reads charge from voltage (as in metrics/cell_offset)


@dataclass(frozen=True, slots=True)
class Curve:
    """One way from end to end. passed_ah (n,), volts (n, groups): as sampled; rate: mean current over rated charge."""

    kind: Kind
    passed_ah: Floats
    volts: Floats
    of: Incremental
    rate: float
    temp_c: float


@dataclass(frozen=True, slots=True)
class Rest:
    """After which kind of step, and how each group came to rest."""

    after: Kind
    begin_s: float
    seconds: float
    of: Relaxed
    t_s: Floats
    volts: Floats


@dataclass(frozen=True, slots=True)
class PulseBin:
    """Pulses of one direction at like charge and temperature. ohm, half (groups,): at 10 s after the step; two_s: at
    2 s. n: pulses."""

    soc_pct: float
    temp_c: float
    charging: bool
    n: int
    two_s: Floats
    ohm: Floats
    half: Floats


def curves(record: PackRecord, steps: list[Step], ends: Ends) -> list[Curve]:
    """The longest charge and the longest discharge; only the time under load counts."""
    run = integrate(record.t, record.current, ends.gap_s).run
    out = []
    for kind, sign in ((Kind.DISCHARGE, 1.0), (Kind.CHARGE, -1.0)):
        mine = [s for s in steps if s.kind is kind]
        if not mine or sum(s.ah for s in mine) < LEAST_SHARE * record.rated_ah:
            continue
        # one way in pieces (with pulses and rests between) is one curve
        rows = np.concatenate([np.arange(s.first + 1, s.last + 1) for s in _one_way(mine, steps)])
        passed = np.maximum.accumulate(sign * (run[rows] - run[rows[0]]))
        volts = record.group_v[rows]
        try:
            found = incremental(passed, volts, BIN_V)
        except ValueError:
            continue
        amps = float(np.median(np.abs(record.current[rows])))
        temp = record.temp_c[rows]
        mean = float(np.nanmean(temp)) if np.isfinite(temp).any() else float("nan")
        out.append(Curve(kind, passed, volts, found, amps / record.rated_ah, mean))
    return out


def _one_way(mine: list[Step], steps: list[Step]) -> list[Step]:
    """The steps of a kind between two long steps of the other, of which most charge passes."""
    other = Kind.CHARGE if mine[0].kind is Kind.DISCHARGE else Kind.DISCHARGE
    parts: list[list[Step]] = [[]]
    longest = max(s.ah for s in steps)
    for step in steps:
        if step.kind is other and step.ah > 0.2 * longest:
            parts.append([])
        elif step.kind is mine[0].kind:
            parts[-1].append(step)
    return max(parts, key=lambda part: sum(s.ah for s in part))


def rests(record: PackRecord, steps: list[Step]) -> list[Rest]:
    """Rests of five minutes and more after a charge or discharge."""
    out = []
    for before, step in pairwise(steps):
        if step.kind is not Kind.REST or before.kind is Kind.REST or step.seconds < LEAST_REST_S:
            continue
        rows = np.arange(step.first, step.last + 1)
        volts = record.group_v[rows]
        rows, volts = rows[np.isfinite(volts).all(axis=1)], volts[np.isfinite(volts).all(axis=1)]
        t_s = (record.t[rows] - record.t[before.last]) / 1e6
        t_s, volts = _thinned(t_s, volts)
        try:
            found = relaxed(t_s, volts)
        except ValueError:
            continue
        out.append(Rest(before.kind, step.begin_s, step.seconds, found, t_s, volts))
    return out


def _thinned(t_s: Floats, volts: Floats) -> tuple[Floats, Floats]:
    """Means over neighbours, where there are more samples than a slow curve needs."""
    each = t_s.size // REST_SAMPLES
    if each < 2:
        return t_s, volts
    n = t_s.size // each
    means = volts[: n * each].reshape(n, each, -1).mean(axis=1)
    return np.asarray(t_s[: n * each].reshape(n, each).mean(axis=1)), np.asarray(means)


def pulses(record: PackRecord, soc_pct: Floats, gain: float = 0.0) -> list[PulseBin]:
    """Steps of the current out of rest, by direction, charge and temperature. soc_pct (n,): charge at each sample;
    gain: standard error of the current's scale."""
    fast = np.concatenate((np.diff(record.t) <= FAST_S * 1e6, [False]))
    least, waver = PULSE_SHARE * record.rated_ah, PULSE_RANGE * record.rated_ah
    by_bin: dict[tuple[float, float, bool], list[tuple[Floats, Floats, Floats]]] = {}
    for first, last in _pieces(record, fast):
        piece = slice(first, last + 1)
        t, current = record.t[piece], record.current[piece]
        (ten,) = find_steps(t, current, (PULSE_S,), least, max(waver, 0.5))
        quiet = Running.of(t, np.abs(current)).mean(ten.t0 - int((BEFORE_S + 0.25) * 1e6), ten.t0 - 250_000)
        out_of_rest = quiet <= waver
        if not out_of_rest.any():
            continue
        each = [Running.of(t, record.group_v[piece, g]) for g in range(len(record.groups))]
        noise = np.array([_noise(record.group_v[piece, g]) for g in range(len(record.groups))])
        at_ten = np.array([responses(v, ten, PULSE_S) for v in each])
        at_two = np.array([responses(v, ten, EARLY_S) for v in each])
        for k in np.flatnonzero(out_of_rest).tolist():
            place = int(np.searchsorted(record.t, ten.t0[k]))
            temp = record.temp_c[min(place, record.t.size - 1)]
            key = (
                _binned(float(soc_pct[min(place, soc_pct.size - 1)]), SOC_BIN),
                _binned(float(temp), TEMP_BIN),
                bool(ten.change[k] < 0),
            )
            se = noise * np.sqrt(2.0 / 4.0) / abs(ten.change[k])  # means of some samples on either side
            by_bin.setdefault(key, []).append((-at_two[:, k] / ten.change[k], -at_ten[:, k] / ten.change[k], se))
    return [_of_bin(key, some, gain) for key, some in sorted(by_bin.items(), key=lambda item: item[0])]


def _pieces(record: PackRecord, fast: Bools) -> list[tuple[int, int]]:
    found = stretches(record.t, fast, gap_s=FAST_S, join_s=0.0, least_s=12.0)
    return list(zip(found.first.tolist(), found.last.tolist(), strict=True))


def _noise(volts: Floats) -> float:
    """Of one sample: from second differences."""
    known = volts[np.isfinite(volts)]
    if known.size < 8:
        return float("nan")
    second = known[2:] - 2.0 * known[1:-1] + known[:-2]
    return max(MAD_TO_SD * median(np.abs(second)) / sqrt(6.0), LEAST_NOISE_V)


def _binned(value: float, width: float) -> float:
    """The nearest whole number of widths; NaN stays."""
    return width * float(np.floor(value / width + 0.5)) if value == value else float("nan")


def _of_bin(key: tuple[float, float, bool], some: list[tuple[Floats, Floats, Floats]], gain: float) -> PulseBin:
    two, ten, se = (np.array([one[i] for one in some]) for i in range(3))
    n = len(some)
    own = np.sqrt((se**2).sum(axis=0)) / n
    scatter = ten.std(axis=0, ddof=1) / np.sqrt(n) if n > 1 else np.zeros(own.shape)
    middle = ten.mean(axis=0)
    half = Z95 * np.hypot(np.maximum(own, scatter), gain * middle)
    return PulseBin(*key, n=n, two_s=two.mean(axis=0), ohm=middle, half=half)


@dataclass(frozen=True, slots=True)
class GroupCharge:
    """Per group (groups,), in Ah against the median group, with half widths, NaN where it cannot be told: charge left
    when the pack is full (top) and when it is empty (bottom), and the difference of capacity, which is their sum."""

    top_ah: Floats
    top_half: Floats
    bottom_ah: Floats
    bottom_half: Floats

    @property
    def capacity_ah(self) -> Floats:
        return np.asarray(self.top_ah + self.bottom_ah)

    @property
    def capacity_half(self) -> Floats:
        return np.hypot(self.top_half, self.bottom_half)


def group_charge(record: PackRecord, found: list[Curve], ohm: Floats | None) -> GroupCharge | None:
    """How the groups lie to each other at both steep ends. ohm (groups,): resistance that is taken out first.

    A group that comes up late in a charge has that much more room; one that goes down late in a discharge has that much
    more left: together its capacity is larger by both. None without a profile (which knows where the curve is steep)
    or without both ways.
    """
    if record.profile is None or len(record.groups) < 3 or {c.kind for c in found} != {Kind.CHARGE, Kind.DISCHARGE}:
        return None
    chemistry = record.profile.pack_figures.of_chemistry
    steep = FLAT_V * 100.0 / record.rated_ah
    out = []
    for kind, sign, ends in (
        (Kind.CHARGE, 1.0, chemistry.upper_knee_v),
        (Kind.DISCHARGE, -1.0, chemistry.lower_knee_v),
    ):
        one = next(c for c in found if c.kind is kind)
        load = sign * one.rate * record.rated_ah  # charging lifts the voltage, discharging lowers it
        volts = one.volts - load * (ohm if ohm is not None else 0.0)
        good = np.isfinite(volts).all(axis=1)
        q, v, noise = knee.curve(one.passed_ah[good], sign * volts[good], 0.004 * record.rated_ah)
        levels = np.sort(sign * np.linspace(*ends, 60))
        shifts = knee.shifts(q, v, levels, noise, steep)
        if shifts is None:
            return None
        out.append((shifts.shift, Z95 * shifts.se))
    (top, top_half), (bottom, bottom_half) = out
    return GroupCharge(top, top_half, bottom, bottom_half)


def middle_ohm(bins: list[PulseBin], groups: int) -> Floats | None:
    """Resistance of each group over all its bins; None without pulses."""
    if not bins:
        return None
    found = np.array([b.ohm for b in bins])
    return medians(found.T) if found.shape[1] == groups else None
