"""Can a short inside a cell make the heat that was measured? A watt takes a quarter of an ampere and more of its group:
within days a group of usual size is empty.

A short turns its group's own charge into heat: P = V I. What a group loses against its siblings since the heat was
first seen is read at the knee near full; where no charge reached it, what a whole group holds bounds it: a group that
lost that much more than the others stands empty, whatever was charged and balanced meanwhile. A group that loses a few
milliamperes does not warm a pack by watts. The heat may come and go, so that little loss makes the short less likely
and does not exclude it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import polars as pl

from herdbook.pipeline.health.cause import CauseTest, Evidence, Seen, Standing
from herdbook.pipeline.health.pack.leak import LONG_DAYS, bled_before
from herdbook.pipeline.health.pack.offsets import offsets
from herdbook.pipeline.health.reading import metric_rows
from herdbook.pipeline.health.rule import Record
from herdbook.pipeline.health.sentences import spell
from herdbook.pipeline.times import DAY

SURE = 3.0  # standard errors: engineering choice
MOST_BLED_A = 0.2  # by a resistor of balancing, where the profile does not say: engineering choice
LEAST_DAYS = 1.0  # between two readings: engineering choice


class Loss(NamedTuple):
    """Of one group, more than the median group's, in A. t: of the newest reading, microseconds UTC."""

    item: str
    amps: float
    se: float
    t: int


def short_makes_the_heat(otherwise: CauseTest) -> CauseTest:
    """A group loses the charge that the measured heat takes. otherwise: where heat or loss was not measured."""

    def judge(evidence: Evidence) -> Seen:
        record = evidence.record
        if record is None or (watts := _heat_w(record)) <= 0.0:
            return otherwise.judge(evidence)
        needed = watts / record.profile.pack_figures.of_chemistry.full_v
        if not (lost := _losses(record, evidence.spans)):
            return _stands(record, evidence.spans, watts, needed) or otherwise.judge(evidence)
        most = max(lost, key=lambda loss: loss.amps + SURE * loss.se)
        takes = f"{spell(watts, 'W')} of heat take {spell(needed, 'A')} of one group"
        upper = most.amps + SURE * most.se
        if upper < needed:
            words = f"{takes}; none lost more than {spell(max(upper, 0.0), 'A')} against the others meanwhile"
            return Seen(Standing.NOT_SEEN, words, most.t, "cell_voltage", most.item)
        surest = max(lost, key=lambda loss: loss.amps - SURE * loss.se)
        if surest.amps - SURE * surest.se >= needed:
            words = f"{takes}; group {surest.item} loses {spell(surest.amps, 'A', surest.se)}"
            return Seen(Standing.SUPPORTED, words, surest.t, "cell_voltage", surest.item)
        return Seen(Standing.OPEN, f"{takes}; what the groups lose is not read finely enough", role="cell_voltage")

    return CauseTest(otherwise.roles, judge)


def _stands(record: Record, spans: Sequence[tuple[int, int]], watts: float, needed: float) -> Seen | None:
    """Every group stands well above empty so long after the heat was first seen that a short which made all of it
    would have taken more than one holds, with what balancing may have given back; None: it is not so long."""
    pack, first = record.profile.pack_figures, min((start for start, _ in spans), default=0)
    if not spans or not pack.given("rated_ah"):
        return None
    rows = metric_rows(record, "end_lowest_v").sort("end_t").filter(pl.col("end_t").dt.epoch("us") > first)
    rows = rows.filter(pl.col("value") > pack.of_chemistry.low_v)
    if not rows.height:
        return None
    t, volts = int(rows["end_t"].to_physical()[-1]), float(rows["value"][-1])
    hours = (t - first) / (DAY / 24.0)
    bleeds = pack.of_chemistry.full_v / pack.bleed_ohm if pack.bleed_ohm else pack.bleed_a or MOST_BLED_A
    taken = (needed - bleeds) * hours
    if taken < pack.size_ah:
        return None
    words = f"{spell(watts, 'W')} of heat take {spell(needed, 'A')} of one group, more than all it holds since the "
    words += f"heat was first seen {spell(hours / 24.0, 'days')} before; the lowest group stood at {spell(volts, 'V')}"
    return Seen(Standing.NOT_SEEN, words, t, "cell_voltage")


def _heat_w(record: Record) -> float:
    """The least that was surely made in a rest: of the whole pack, or of one group beside the place that warmed."""
    pack = record.profile.pack_figures
    found = [0.0]
    for name, each in (
        ("pack_idle_heat_w", 1.0),
        ("cell_idle_rise_k_min", pack.heat_capacity_j_per_k / max(pack.groups, 1) / 60.0),
    ):
        rows = metric_rows(record, name)
        if rows.height:
            least = rows["value"].to_numpy() - SURE * rows["se"].fill_null(0.0).to_numpy()
            found.append(each * float(np.nanmax(least)))
    return max(found)


def _losses(record: Record, spans: Sequence[tuple[int, int]]) -> list[Loss]:
    """Between the last reading before the heat was first seen, or the first one after, and the newest."""
    first = min((start for start, _ in spans), default=0)
    rated, bled = record.profile.pack_figures.size_ah, metric_rows(record, "cell_bled_ah").sort("start_t")
    out = []
    for o in offsets(record, "top", LONG_DAYS).values():
        t = o.starts
        begin = max(int(np.searchsorted(t, first, side="right")) - 1, 0)
        days = float(t[-1] - t[begin]) / DAY
        if days < LEAST_DAYS or t[-1] < first:
            continue
        ah = rated / 100.0 * o.values + bled_before(o.item, bled, t)
        per_reading = rated / 100.0 * float(np.hypot(o.own[begin], o.own[-1]))
        hours = 24.0 * days
        out.append(Loss(o.item, float(ah[begin] - ah[-1]) / hours, per_reading / hours, int(t[-1])))
    return out
