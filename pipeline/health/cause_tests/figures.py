"""What the rules judge by, read once more: a figure of the finding's item against a level or against its siblings, over
the sessions of its windows or over the whole record; and whether it stands still or moves."""

from __future__ import annotations

import numpy as np
import polars as pl

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.health.cause import CauseTest, Evidence, Seen, Standing
from herdbook.pipeline.health.cause_tests.votes import ENOUGH
from herdbook.pipeline.health.reading import metric_rows
from herdbook.pipeline.health.sentences import counted, spell
from herdbook.pipeline.times import DAY, column_micros
from herdbook.pipeline.vehicle.roles import ROLES

SURE = 3.0  # standard errors before a line is said to rise or fall: engineering choice
DONE = float(ROLES["charger_state"].states.index("done"))
LEAST_READINGS = 4  # fewer do not tell a line from two steps: engineering choice


def item_of(evidence: Evidence) -> str:
    """The finding's item as figures name it: "cell 7" is 7, "sensor 2" is 2, "left" is left."""
    first, _, rest = evidence.item.partition(" ")
    return rest if first in ("cell", "cells", "sensor") and rest else evidence.item


def figure(
    name: str,
    level: float,
    words: str,
    quiet: str,
    role: str,
    above: bool = True,
    whole_item: bool = False,
    any_item: bool = False,
    needed: float = 0.0,
    rules_out: bool = False,
) -> CauseTest:
    """A figure of the item is at or above `level` (or at or below it) in at least a share `needed` of its sessions, and
    in one. words: with {value}, {percent}, {share} ("in 5 of 6 sessions"). whole_item: the figure names it as the
    finding does. any_item: of whatever item."""

    def judge(evidence: Evidence) -> Seen:
        item = None if any_item else evidence.item if whole_item else item_of(evidence)
        rows = _rows(evidence, name, item)
        if rows is None or not rows.height:
            return Seen(Standing.NOT_RECORDED, f"{role.replace('_', ' ')}: no figure of it in this record", role=role)
        values = rows["value"].to_numpy()
        hit = np.flatnonzero(values >= level if above else values <= level)
        share = f"in {hit.size} of {counted(values.size, 'session')}"
        if hit.size and hit.size >= needed * values.size:
            worst = int(hit[np.argmax(values[hit]) if above else np.argmin(values[hit])])
            value, unit = float(values[worst]), str(rows["unit"][0])
            said = words.format(value=spell(value, "" if unit == "1" else unit), percent=f"{value:.0%}", share=share)
            return Seen(Standing.SUPPORTED, said, int(column_micros(rows["start_t"])[worst]), role)
        return Seen(Standing.CONTRADICTED if rules_out else Standing.NOT_SEEN, quiet, role=role)

    return CauseTest((), judge)


def alone_among(name: str, level: float, others: float, words: str, quiet: str, role: str) -> CauseTest:
    """The item's figure is at `level` or above on average and no sibling's is over `others`."""

    def judge(evidence: Evidence) -> Seen:
        rows = _rows(evidence, name)
        item = item_of(evidence)
        if rows is None or not rows.filter(pl.col("item") == item).height or rows["item"].n_unique() < 3:
            return Seen(Standing.NOT_RECORDED, f"{role.replace('_', ' ')}: no figure of it in this record", role=role)
        means = dict(rows.group_by("item").agg(pl.col("value").mean()).iter_rows())
        beside = max(value for other, value in means.items() if other != item)
        mine = means[item]
        first = int(column_micros(rows.filter(pl.col("item") == item)["start_t"])[0])
        if mine >= level and beside <= others:
            return Seen(Standing.SUPPORTED, words.format(mine=f"{mine:.0%}", beside=f"{beside:.0%}"), first, role)
        return Seen(Standing.NOT_SEEN, quiet.format(mine=f"{mine:.0%}", beside=f"{beside:.0%}"), role=role)

    return CauseTest((), judge)


def moves(name: str, what: str, role: str, steady: bool = False, per_day: float = 0.0) -> CauseTest:
    """The item's figure grows over the days, away from zero, by SURE standard errors; steady: it does not, and a growth
    of `per_day` would have been seen. Read from where half of its size is first reached: a step is no growth. what: in
    words, as in "the offset of this group"."""

    def judge(evidence: Evidence) -> Seen:
        rows = _rows(evidence, name, item_of(evidence))
        y = np.zeros(0) if rows is None else rows["value"].to_numpy()
        first = int(np.argmax(np.abs(y) >= 0.5 * np.abs(y).max())) if y.size else 0
        if rows is None or y.size - first < LEAST_READINGS:
            return Seen(Standing.NOT_RECORDED, f"{what} was read {counted(y.size - first, 'time')}: too few", role=role)
        t, y = column_micros(rows["start_t"])[first:], y[first:]
        days = (t - t[0]) / DAY
        if np.ptp(days) <= 0:
            return Seen(Standing.NOT_RECORDED, f"{what} was read on one day alone", role=role)
        slope, se = _slope(days, y * np.sign(y.mean()))
        unit, lasted = str(rows["unit"][0]), counted(round(float(np.ptp(days))), "day")
        span = f"{spell(float(y[0]), unit)} at first, {spell(float(y[-1]), unit)} after {lasted}"
        if slope > SURE * se:
            return Seen(Standing.NOT_SEEN if steady else Standing.SUPPORTED, f"{what} grows: {span}", int(t[-1]), role)
        if steady and slope + 2 * se < per_day:
            return Seen(Standing.SUPPORTED, f"{what} does not grow: {span}", int(t[0]), role)
        return Seen(Standing.OPEN if steady else Standing.NOT_SEEN, f"{what} shows no growth: {span}", role=role)

    return CauseTest((), judge)


def _slope(x: Floats, y: Floats) -> tuple[float, float]:
    """Straight line by least squares: slope and its standard error."""
    dx, dy = x - x.mean(), y - y.mean()
    slope = float(dx @ dy / (dx @ dx))
    left = dy - slope * dx
    return slope, float(np.sqrt(left @ left / max(x.size - 2, 1) / (dx @ dx)))


def charged_full(few: bool, least: int = 3) -> CauseTest:
    """How many charges of the record ran until the charger or the current ended them. few: hardly any did; else `least`
    and half of them did."""

    def judge(evidence: Evidence) -> Seen:
        rows = _rows(evidence, "charge_end")
        if rows is None or rows.height < least:
            n = 0 if rows is None else rows.height
            return Seen(Standing.NOT_RECORDED, f"{counted(n, 'charge')} recorded: too few to tell", role="pack_current")
        full = np.isin(rows["value"].to_numpy(), (0.0, 1.0))
        after = _rows(evidence, "charger_after")
        done = 0 if after is None else int((after["value"].to_numpy() == DONE).sum())
        n = max(int(full.sum()), min(done, rows.height))
        said = f"{n} of {counted(rows.height, 'charge')} ran until the pack was full"
        first = int(column_micros(rows["start_t"])[0])
        if (n <= 0.2 * rows.height) if few else (n >= least and n >= ENOUGH * rows.height):
            return Seen(Standing.SUPPORTED, said, first, "pack_current")
        return Seen(Standing.NOT_SEEN, said, role="pack_current")

    return CauseTest((), judge)


def capacity_counted(larger: bool) -> CauseTest:
    """The charge the electronics seem to count with against the rated one: `larger` by a tenth, surely."""

    def judge(evidence: Evidence) -> Seen:
        rows = _rows(evidence, "bms_capacity_ah")
        if rows is None or not rows.height or evidence.record is None:
            return Seen(Standing.NOT_RECORDED, "no ride or charge long enough to see by what charge they count")
        rated = evidence.record.profile.pack_figures.size_ah
        value, se = float(rows["value"].median()), float(rows["se"].fill_null(0.0).median())  # type: ignore[arg-type]
        said = f"they count with {spell(value, 'Ah', se)}, rated {spell(rated, 'Ah')}"
        t = int(column_micros(rows["start_t"])[-1])
        if larger and value - 2 * se > 1.1 * rated:
            return Seen(Standing.SUPPORTED, said, t, "pack_soc")
        return Seen(Standing.NOT_SEEN if larger else Standing.OPEN, said, t, "pack_soc")

    return CauseTest((), judge)


def group_missing() -> CauseTest:
    """The gap between terminals and groups is one group's voltage, or a whole number of them."""

    def judge(evidence: Evidence) -> Seen:
        rows = _rows(evidence, "pack_sum_gap_pct")
        cells = evidence.record.profile.pack_figures.cells if evidence.record is not None else None
        if rows is None or not rows.height or not cells:
            return Seen(Standing.NOT_RECORDED, "the gap was not measured", role="pack_voltage")
        groups = float(rows["value"].median()) / 100 * cells  # type: ignore[arg-type]
        t = int(column_micros(rows["start_t"])[-1])
        if abs(groups) > 0.5 and abs(groups - round(groups)) < 0.15:
            return Seen(Standing.SUPPORTED, f"the gap is {groups:.2f} groups' voltage", t, "pack_voltage")
        return Seen(Standing.NOT_SEEN, f"the gap is {groups:.2f} of one group's voltage", t, "pack_voltage")

    return CauseTest((), judge)


def stood_for(least_days: float, longer: bool, what: str) -> CauseTest:
    """How long the vehicle stood after the end of a window until its next session: `least_days` and more (longer), or
    less."""

    def judge(evidence: Evidence) -> Seen:
        if evidence.record is None or not evidence.spans:
            return Seen(Standing.NOT_RECORDED, "how long it stood is not known")
        stood = max((end - start) / DAY for start, end in evidence.spans)
        t = evidence.spans[0][0]
        said = f"{what} {counted(round(stood), 'day')}"
        if (stood >= least_days) == longer:
            return Seen(Standing.SUPPORTED, said, t, "cell_voltage")
        return Seen(Standing.NOT_SEEN, said, role="cell_voltage")

    return CauseTest((), judge)


def _rows(evidence: Evidence, name: str, item: str | None = None) -> pl.DataFrame | None:
    return None if evidence.record is None else metric_rows(evidence.record, name, item)
