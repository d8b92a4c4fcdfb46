"""Capacity of the pack by a charge to full from anywhere: cells that demo_logs/makers draws.

Their half cells are the published ones that the estimator tries as well, bent in most of them; resistance, branches and
slow drop are the cells' own, up to twice the usual, and the current sensor has a gain.
"""

from __future__ import annotations

from functools import cache, partial

import numpy as np

from demo_logs.makers.design import Cell, draw_design
from herdbook.pipeline.health.examples import ExampleSession, one_session, record
from herdbook.pipeline.health.pack.span_capacity import span_capacity
from herdbook.pipeline.metrics.shared.group_ohm import usual_ohm
from herdbook.pipeline.vehicle.record import Event, Metric
from tests.coverage.case import Case, Draw, Rng
from tests.coverage.charge import RATED

SECOND = 1_000_000  # in microseconds
GAIN = 0.007  # spread of the current sensors


@cache
def _cells() -> tuple[Cell, ...]:
    return tuple(draw_design(771, k).cell for k in range(100))


def to_full(rng: Rng, cell: Cell, held: float, low: float, day: float, gain: float) -> ExampleSession:
    """A charge from `low` to full, as nearly as chargers end there, told every 3 % of the rated charge."""
    amps = RATED * float(np.exp(rng.uniform(np.log(0.1), np.log(0.6))))
    high = 1.0 - abs(rng.normal(0.0, 0.006))
    put = np.arange(0.0, (high - low) * held, 0.002)
    z, seconds = low + put / held, put * RATED / amps * 3600.0
    more, scale = rng.uniform(0.8, 2.0), 1e-3 * cell.rated_ah / RATED
    rise = 1.0 + cell.rise_low * np.exp(-z / cell.rise_width) + cell.rise_high * np.exp((z - 1.0) / 0.05)
    volts = np.interp(z, np.linspace(0.0, 1.0, cell.curve_v.size), cell.curve_v)
    volts += 0.5 * cell.gap_v * (1.0 + cell.gap_low * np.exp(-z / 0.2)) * (1.0 - 2.0 * np.exp(-put / held / cell.turn))
    volts += amps * more * scale * (cell.r_mohm * rise - cell.slow_mohm * np.expm1(-seconds / cell.slow_s))
    volts += rng.normal(0.0, 0.002) - usual_ohm(record().profile) * amps
    events = []
    for rows in np.array_split(np.arange(put.size), max(2, round(put[-1] / 0.03))):
        data = {"run_ah": -RATED * gain * float(put[rows].mean()), "current_a": -amps, "se_mv": 2.0}
        data["median_v"] = float(volts[rows].mean() + rng.normal(0.0, 0.001))
        begin, end = (round(float(seconds[k]) * SECOND) for k in (rows[0], rows[-1]))
        events.append(Event("group_levels", begin, max(end, begin + 1), "charge", data))
    last = round(float(seconds[-1]) * SECOND)
    full = {"soc_pct": 100.0, "se_pct": 1.0, "run_ah": -RATED * gain * float(put[-1])}
    events.append(Event("charge_anchor", last, last, "full", full))
    return one_session(day, "charge", Metric("pack_run_ah", full["run_ah"], "Ah", 0.1, 900, 1.0), *events)


def _charges(rng: Rng, lowest: float, count: int) -> list[Draw]:
    """Charges of a pack that holds 55 to 105 % of its rated charge."""
    cell = _cells()[int(rng.integers(100))]
    held, gain = float(rng.uniform(0.55, 1.05)), 1.0 + float(rng.normal(0.0, GAIN))
    begins = rng.uniform(lowest, lowest + 0.2, count)
    sessions = [to_full(rng, cell, held, float(low), 2.0 * k, gain) for k, low in enumerate(begins)]
    found = span_capacity(record(*sessions), 90.0)
    return [] if found is None else [(found.pct, found.se, 100.0 * held)]


WIDE = "what no published curve has is in the error, and hardly in these cells"
CASES = [
    Case("capacity by a charge to full", words, partial(_charges, lowest=lowest, count=count), note=WIDE, quick=quick)
    for words, lowest, count, quick in (
        ("begun under a fifth", 0.02, 1, True),
        ("begun between a fifth and two", 0.2, 1, False),
        ("the longest of three", 0.1, 3, False),
    )
]
