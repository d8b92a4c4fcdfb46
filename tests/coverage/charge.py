"""Reported charge against counted charge, and capacity by where the voltage falls off.

Steps of the report, message periods and currents are those from which demo_logs/makers draws; cells come from its
published curves, bent as it bends them, with their branches and slow drop, and not from the table under test.
"""

from __future__ import annotations

from functools import cache, partial

import numpy as np
import polars as pl
from scipy.signal import lfilter

from demo_logs.makers.design import draw_design
from herdbook.pipeline.health.examples import one_session, record
from herdbook.pipeline.health.pack.curve_place import held_of_fleet, report_at_step
from herdbook.pipeline.health.pack.knee_capacity import knee_capacity
from herdbook.pipeline.health.reference import fit_reference
from herdbook.pipeline.science.curve_step import upper_step
from herdbook.pipeline.science.curve_warp import warped
from herdbook.pipeline.science.step_crossings import slope_of_steps
from herdbook.pipeline.times import HOUR
from herdbook.pipeline.vehicle.record import Event, Metric
from tests.coverage.case import Case, Draw, Rng

RATED = 30.0  # of health/examples.py's pack


def _steps(rng: Rng, step: float) -> list[Draw]:
    """A ride of 3 to 16 min whose report counts a share of what flows, in steps, told every 1 to 10 s."""
    every, seconds = float(rng.choice([1.0, 2.0, 5.0, 10.0])), rng.uniform(180.0, 960.0)
    n = int(seconds / 0.5)
    rate = rng.uniform(0.3, 1.2) + lfilter([0.02], [1.0, -0.98], rng.normal(0.0, 4.0, n))
    x = np.cumsum(np.clip(rate, -1.0, 3.0)) * 0.5 / 36.0  # % of rated charge
    share = float(rng.choice([1.0, 0.82, 0.74, 0.6]))
    seen = np.cumsum(np.round(np.clip(rate, -1.0, 3.0) / 0.01) * 0.01) * 0.5 / 36.0
    at = np.arange(0, n, int(every / 0.5))
    told = np.round((rng.uniform(40.0, 90.0) - share * x[at]) / step) * step
    found = slope_of_steps(seen[at], told, 1.0)
    return [] if found is None or found.span < 1.5 else [(-found.slope, found.se, share)]


@cache
def _curves() -> tuple[tuple[np.ndarray, float, float, float], ...]:
    cells = [draw_design(770, k).cell for k in range(60)]
    return tuple((c.curve_v, c.gap_v, c.gap_low, 1e-3 * c.slow_mohm * c.rated_ah / RATED) for c in cells)


def published(rng: Rng) -> tuple[np.ndarray, float, float, float]:
    """Open-circuit voltage from empty to full, gap between its branches, by how much more near empty, slow ohm."""
    return _curves()[int(rng.integers(60))]


def _knee(rng: Rng) -> list[Draw]:
    """Two or three rides near empty of a pack that holds 55 to 105 % of its rated charge; the report is a few per cent
    off by zero and rests, the load's slow drop is left in the voltage."""
    curve, gap, low, slow = published(rng)
    held = rng.uniform(0.55, 1.05)
    off = rng.normal(0.0, 0.02)
    sessions = [one_session(0, "charge", Metric("pack_soc_highest_pct", 100.0, "%", 0.5, 1))]
    for day in range(int(rng.integers(2, 4))):
        z = rng.uniform(0.02, 0.2) + np.array([0.06, 0.03, 0.0])
        said = 1.0 - (1.0 - z) * held + off
        amps = rng.uniform(2.0, 20.0)
        volts = np.interp(z, np.linspace(0.0, 1.0, curve.size), curve) - 0.5 * gap * (1.0 + low * (1.0 - z))
        volts -= amps * slow * rng.uniform(0.3, 1.0) - rng.normal(0.0, 0.005, 3)
        events = [
            Event(
                "group_levels",
                k * HOUR // 8,
                k * HOUR // 8 + HOUR // 10,
                "load",
                {"run_ah": RATED * float(said[0] - said[k]), "current_a": amps, "median_v": float(volts[k])}
                | {"soc_pct": float(np.round(100.0 * said[k])), "load_known": 1.0, "se_mv": 2.0},
            )
            for k in range(3)
        ]
        metrics = [
            Metric("temp_lowest_c", 20.0, "degC", item="cell 1"),
            Metric("pack_run_ah", 5.0, "Ah", 0.05, 900, 1.0),
            Metric("pack_soc_start_pct", 60.0, "%", 0.5, 1),
            Metric("pack_soc_end_pct", 60.0 - 500.0 / RATED, "%", 0.5, 1),
            Metric("pack_soc_moved_share", 1.0, "1", 0.01, 9),
            Metric("pack_soc_moved_over_pct", 500.0 / RATED, "%", None, 9),
        ]
        sessions.append(one_session(1 + day, "ride", *metrics, *events))
    found = knee_capacity(record(*sessions), 45.0)
    return [] if found is None else [(found.pct, found.se, 100.0 * held)]


def _part(rng: Rng, steps_v: tuple[float, ...], of_charge: bool) -> list[Draw]:
    """A charge from somewhere under half to four fifths or so: groups of one curve that differ in capacity, charge,
    resistance and wire, one of them short by up to 28 %, read in steps of steps_v. of_charge: what they hold more at
    the middle, instead of their capacities."""
    curve, gap, _, slow = published(rng)
    groups, rate = int(rng.integers(8, 21)), rng.uniform(0.15, 0.6)
    held = 1.0 + rng.normal(0.0, 0.012, groups)
    held[0] *= rng.uniform(0.72, 1.0)
    low, high = rng.uniform(0.15, 0.5), rng.uniform(0.72, 0.9)
    every = float(rng.choice([2.0, 5.0, 10.0]))
    q = np.arange(0.0, high - low, rate * every / 3600.0)
    z = 1.0 - (1.0 - low - q)[:, None] / held + rng.normal(0.0, 0.008, groups)
    ohm = 0.06 / RATED * (1.0 + rng.normal(0.0, 0.06, groups))
    climbs = -np.expm1(-q / rate * 3600.0 / rng.uniform(60.0, 900.0))
    volts = np.interp(z, np.linspace(0.0, 1.0, curve.size), curve) + 0.5 * gap + rate * RATED * ohm
    volts += rate * RATED * slow * climbs[:, None] * (1.0 + rng.normal(0.0, 0.06, groups))
    volts += rng.normal(0.0, 0.002, groups) + rng.normal(0.0, 0.001, volts.shape)
    step = float(rng.choice(steps_v))
    settled = q > rate * 900.0 / 3600.0
    found = warped(q[settled], (np.round(volts / step) * step)[settled], step)
    if found is None:
        return []
    if of_charge:
        middle = int(np.abs(q - q[settled].mean()).argmin())
        value, error, truth = found.charge, found.charge_se, z[middle] - np.median(z[middle])
    else:
        value, error, truth = found.capacity, found.capacity_se, held / np.median(held)
    told = np.isfinite(value) & (found.capacity_se < 0.2)
    return [(float(v), float(e), float(t)) for v, e, t in zip(value[told], error[told], truth[told], strict=True)]


def _at_step(rng: Rng, curve: np.ndarray, gap: float, slow: float, held: float) -> tuple[float, float, float] | None:
    """Share of the rated charge from the upper step to full, its error and the volts there: a charge of twelve groups
    from a fifth to a half up to full, as nearly as chargers end there."""
    low, rate, groups = rng.uniform(0.15, 0.5), rng.uniform(0.15, 0.35), int(rng.integers(8, 21))
    full = 1.0 - abs(rng.normal(0.0, 0.006))
    q = np.arange(0.0, (full - low) * held, rate * 5.0 / 3600.0)
    apart = rng.normal(0.0, 0.008, groups)
    own = 1.0 + rng.normal(0.0, 0.012, groups)
    z = full - (q[-1] - q)[:, None] / held / own + apart - np.median(apart)
    ohm = 0.06 / RATED * rng.uniform(0.7, 1.6) * (1.0 + rng.normal(0.0, 0.06, groups))
    climbs = -np.expm1(-q / rate * 3600.0 / rng.uniform(60.0, 900.0))
    volts = np.interp(z, np.linspace(0.0, 1.0, curve.size), curve) + 0.5 * gap + rate * RATED * ohm
    volts += rate * RATED * slow * climbs[:, None]
    volts += rng.normal(0.0, 0.002, groups) + rng.normal(0.0, 0.001, volts.shape)
    step = float(rng.choice((0.001, 0.002, 0.005, 0.010)))
    settled = q > rate * 900.0 / 3600.0
    seen = q * (1.0 + rng.normal(0.0, 0.007))  # gain of the current sensor
    found = upper_step(seen[settled], (np.round(volts / step) * step)[settled])
    if found is None:
        return None
    share = float(seen[-1]) - found.share
    return share, float(np.hypot(found.se, 0.01 * share)), found.volts - rate * RATED * 2.0 * 0.06 / RATED


def _of_fleet(rng: Rng, reports: bool) -> list[Draw]:
    """A pack that holds 60 to 100 % beside a dozen that hold 93 to 102, one charge each, on a published curve that no
    table of ours is asked about. reports: how far its report is off at the step instead, where theirs walk by 1.5 %."""
    curve, gap, _, slow = published(rng)
    held = np.append(rng.uniform(0.93, 1.02, 12), rng.uniform(0.6, 1.0))
    off = np.append(rng.normal(0.0, 1.5, 12), rng.uniform(-20.0, 20.0))
    rows, mine = [], []
    for k, share in enumerate(held):
        told = _at_step(rng, curve, gap, slow, float(share))
        if told is None:
            continue
        said = 100.0 * (1.0 - told[0] / share) + off[k]
        metrics = [
            Metric("charge_step_v", told[2], "V", 0.005, 900),
            Metric("charge_step_to_full_pct", 100.0 * told[0], "%", 100.0 * told[1], 900),
            Metric("charge_step_soc_pct", float(np.round(said)), "%", float(np.hypot(0.29, 100.0 * told[1])), 900),
        ]
        rows += [(f"V{k}", "charge", m.name, "", m.value, m.unit, m.se) for m in metrics if k < 12]
        mine = metrics if k == 12 else []
    if not mine or not rows:
        return []
    names = ("vehicle", "kind", "name", "item", "value", "unit", "se")
    one = one_session(0, "charge", *mine)
    seen = record(one, reference=fit_reference(pl.DataFrame(rows, schema=names, orient="row")))
    if reports:
        table, spread = report_at_step(seen, 45.0)
        return [(float(table["gap"][0]), float(np.hypot(table["se_pct"][0], spread)), off[12])] if table.height else []
    found = held_of_fleet(seen, 90.0)
    return [] if found is None else [(found.pct, found.se, 100.0 * float(held[12] / np.median(held[:12])))]


STEPPED = "a counter's own noise may add to it: no less than two hundredths of a step a crossing"
CASES = [
    Case("reported over counted charge", f"steps of {s:g} %", partial(_steps, step=s), cheap=True, note=STEPPED)
    for s in (1.0, 0.5, 0.1)
]
UNLIKE = "by how much sound packs differ is in the error: what is asked is whether this one is like them"
CASES += [
    Case(f"{what} of the curve", "one charge each", partial(_of_fleet, reports=reports), note=UNLIKE)
    for what, reports in (
        ("capacity beside the fleet, by the step", False),
        ("report beside the fleet, at the step", True),
    )
]
FEW = "two or three rides: Student's factor, and the report's own error in each"
CASES.append(Case("capacity by the foot of the curve", "rides near empty", _knee, note=FEW))
CASES += [
    Case(
        f"{what} of a group from part of a charge",
        words,
        partial(_part, steps_v=steps, of_charge=what == "charge"),
        quick=words == "fine steps",
    )
    for what in ("capacity", "charge")
    for words, steps in (("fine steps", (0.001, 0.002)), ("coarse steps", (0.005, 0.010)))
]
