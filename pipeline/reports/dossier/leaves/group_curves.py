"""Groups at rest and in slow charge: how each settles after a charge, and at which voltages each takes its charge: the
one that stands out as a line, nine of ten of the others as a band."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.reports.drawing.traces import load
from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.page.blocks import Block, Drawn, Leaf, Note
from herdbook.pipeline.reports.page.figure import PageFigure, Spec, axis, layout
from herdbook.pipeline.reports.record import profile_of
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.science.group_curves import charge_per_volt, settling
from herdbook.pipeline.store.statements import Row
from herdbook.pipeline.times import micros
from herdbook.pipeline.vehicle.signals import Signals

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.store.store import Store

ORDER = 15  # place in the dossier
ROLES = ("cell_voltage", "pack_current")
LEAST_GROUPS = 4  # fewer make no band
REST_S, LONGEST_REST_S = 900.0, 7200.0  # shorter rests show little of the settling; longer ones are cut (engineering)
FIRST_S, MOMENTS = 20.0, 24
AFTER_S = 180.0  # between the end of a charge and its rest's begin
SLOW_C = 0.25  # of rated charge an hour: at more, what the current drops hides the curve (common practice)
LEAST_SHARE = 0.3  # of rated charge, in one charge
STEP_V = 0.005
LEAST_SPAN_MV = 10.0  # an axis under it would make a mountain of a monitor's step
HEIGHT = 320


@dataclass(frozen=True, slots=True)
class Curves:
    """x: (n,). y: (groups, n); items: the groups' numbers. when: the session drawn."""

    x: Floats
    y: Floats
    items: list[int]
    when: str


def leaf(store: Store, con: duckdb.DuckDBPyConnection, facts: Facts) -> Leaf:
    profile = profile_of(store, facts.about["profile"], facts.pack)
    rated = profile.pack_figures.rated_ah if profile is not None and profile.pack.get("rated_ah") else None
    lead = (
        "A group that leaks goes on falling when the others have settled; a group that has aged takes its charge at "
        "other voltages than they do."
    )
    blocks: list[Block] = []
    try:
        rest = _settled(store, facts)
        slow = _slow(store, facts, rated) if rated else None
    except HerdbookError as problem:
        return Leaf("curves", "Groups at rest and in slow charge", lead, [Note(f"{problem}", "absent")])
    if rest is not None:
        alt = "Voltage of the groups less its end, against minutes of rest: a band of all groups, one group as a line."
        x, y = axis("After the charge [min]"), "Voltage less its end [mV]"
        blocks.append(_figure("curves-rest", f"Settling after the charge of {rest.when}", alt, rest, (x, y)))
    else:
        blocks.append(
            Note(f"Settling: no rest of {REST_S / 60:.0f} minutes right after a charge is on record.", "absent")
        )
    if slow is not None:
        alt = "Charge taken a volt against the group's voltage: a band of all groups, one group as a line."
        x, y = axis("Group's voltage [V]"), "Charge a volt, dQ/dV [Ah/V]"
        blocks.append(_figure("curves-charge", f"dQ/dV in the charge of {slow.when}", alt, slow, (x, y)))
    else:
        blocks.append(
            Note(
                f"dQ/dV: no charge under a quarter of rated current ({LEAST_SHARE:.0%} of rated charge in one go) is "
                "on record; at more current the drop over the resistance hides the curve.",
                "absent",
            )
        )
    return Leaf("curves", "Groups at rest and in slow charge", lead, blocks)


def _settled(store: Store, facts: Facts) -> Curves | None:
    """The newest rest that follows a charge at once."""
    charged = [micros(s["end_t"]) for s in facts.sessions if s["kind"] == "charge"]
    for s in reversed([s for s in facts.sessions if s["kind"] == "rest"]):
        start, end = micros(s["start_t"]), micros(s["end_t"])
        follows = any(0 <= start - c <= AFTER_S * 1e6 for c in charged)
        if not follows or end - start < REST_S * 1e6:
            continue
        end = min(end, start + int(LONGEST_REST_S * 1e6))
        signals = load(store, facts.vehicle, start, end + 1, ROLES, pack=facts.pack)
        at = np.geomspace(FIRST_S, 0.9 * (end - start) / 1e6, MOMENTS)
        items = _groups(signals)
        if len(items) < LEAST_GROUPS:
            continue
        rows = []
        for i in items:
            series = signals.series("cell_voltage", i)
            good = np.isfinite(series.v)
            rows.append(1000.0 * settling((series.t[good] - start) / 1e6, series.v[good], at))
        return Curves(at / 60.0, np.array(rows), items, _when(facts, s))
    return None


def _slow(store: Store, facts: Facts, rated: float) -> Curves | None:
    """The newest charge of a current so small that its drop hides nothing."""
    for s in reversed([s for s in facts.sessions if s["kind"] == "charge"]):
        hours = (micros(s["end_t"]) - micros(s["start_t"])) / 3.6e9
        if hours * SLOW_C < LEAST_SHARE:
            continue  # too short to hold so much charge at so little current
        signals = load(store, facts.vehicle, micros(s["start_t"]), micros(s["end_t"]) + 1, ROLES, pack=facts.pack)
        current, items = signals.series("pack_current"), _groups(signals)
        into = np.clip(-np.nan_to_num(current.v), 0.0, None)
        flows = into > 0.01 * rated
        if len(items) < LEAST_GROUPS or flows.sum() < 100 or np.median(into[flows]) > SLOW_C * rated:
            continue
        ah = np.concatenate(([0.0], np.cumsum(0.5 * (into[1:] + into[:-1]) * np.diff(current.t)))) / 3.6e9
        if ah[-1] < LEAST_SHARE * rated:
            continue
        found = {}
        for i in items:
            v = signals.at(current.t, "cell_voltage", i, 10.0)
            ok = np.isfinite(v) & flows
            found[i] = charge_per_volt(v[ok], ah[ok], STEP_V)
        grid = np.round(np.unique(np.concatenate([at for at, _ in found.values()])), 6)
        y = np.full((len(items), grid.size), np.nan)
        for k, i in enumerate(items):
            y[k, np.searchsorted(grid, np.round(found[i][0], 6))] = found[i][1]
        return Curves(grid, y, items, _when(facts, s))
    return None


def _groups(signals: Signals) -> list[int]:
    return [i for i in signals.items("cell_voltage") if isinstance(i, int)]


def _when(facts: Facts, session: Row) -> str:
    return numbers.day(session["start_t"], facts.zone)


def _figure(name: str, title: str, alt: str, of: Curves, axes: tuple[Spec, str]) -> Block:
    known = np.isfinite(of.y).sum(axis=0) >= LEAST_GROUPS
    x, y = of.x[known], of.y[:, known]
    if x.size < 3:
        return Note(f"{title}: too few readings for a figure.", "absent")
    middle = np.nanmedian(y, axis=0)
    away = np.nansum(np.abs(y - middle), axis=1) / np.maximum(np.isfinite(y).sum(axis=1), 1)
    k = int(np.argmax(away))
    usual = float(np.median(np.delete(away, k)))
    low, high = np.nanquantile(np.delete(y, k, axis=0), (0.05, 0.95), axis=0)
    band: Spec = {
        "type": "scatter",
        "mode": "lines",
        "name": "nine of ten of the others",
        "x": np.concatenate([x, x[::-1]]).tolist(),
        "y": np.concatenate([high, low[::-1]]).tolist(),
        "fill": "toself",
        "fillcolor": "@shade",
        "line": {"color": "@faint", "width": 1},
    }
    data = [band, _line("median group", x, middle, "@ink", "dot"), _line(f"group {of.items[k]}", x, y[k], "@strong")]
    given: Spec = axis(axes[1])
    if "mV" in axes[1] and np.ptp([low.min(), high.max(), *y[k][np.isfinite(y[k])]]) < LEAST_SPAN_MV:
        centre = 0.5 * float(low.min() + high.max())
        given["range"] = [centre - LEAST_SPAN_MV / 2, centre + LEAST_SPAN_MV / 2]
    spec = {"data": data, "layout": layout(HEIGHT, xaxis=axes[0], yaxis=given)}
    unit = axes[1].partition("[")[2].rstrip("]")
    note = (
        f"n = {len(of.items)} groups. Group {of.items[k]} stands furthest from the median group, "
        f"{numbers.amount(float(away[k]), unit)} on average; the others {numbers.amount(usual, unit)} (their median)."
    )
    head = ("Group", f"Mean distance from the median [{unit}]")
    body = [(f"group {i}", numbers.number(float(a))) for i, a in sorted(zip(of.items, away, strict=True), key=_by_size)]
    return Drawn(PageFigure(name, title, alt, spec, note, head=head, body=body, height=HEIGHT))


def _by_size(row: tuple[int, float]) -> float:
    return -float(row[1])


def _line(name: str, x: Floats, y: Floats, color: str, dash: str = "solid") -> Spec:
    ys = [None if not np.isfinite(v) else float(v) for v in y]
    return {
        "type": "scatter",
        "mode": "lines",
        "name": name,
        "x": x.tolist(),
        "y": ys,
        "line": {"color": color, "width": 1.8, "dash": dash},
    }
