"""The page of a pack test: the run, dQ/dV and relaxation of every group, resistance by charge, capacity by group."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite, nan
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.bench.dynamometer.pack import Pack, PackChange
from herdbook.pipeline.bench.dynamometer.pack_groups import Curve, Rest
from herdbook.pipeline.reports.bench import pack_words
from herdbook.pipeline.reports.bench.stand_page import OF_PACK, StandPage, write_page, write_tables
from herdbook.pipeline.reports.page import html
from herdbook.pipeline.reports.page.blocks import Block, Drawn, Leaf, PageTable
from herdbook.pipeline.reports.page.figure import DASHES, LINES, PageFigure, Spec, axis, layout, packed
from herdbook.pipeline.reports.words import numbers

if TYPE_CHECKING:
    import polars as pl

POINTS = 700
MAP: list[list[object]] = [[0.0, "@neutral"], [1.0, "#a63c06"]]
METHOD = (
    "Charge is the current summed by trapezoids; energy likewise with the pack's voltage. dQ/dV counts charge into "
    "bins of 3 mV of each group's own voltage. Resistance is the change of voltage over that of current 10 s after a "
    "pulse begins out of rest, by charge and temperature to the nearest 5 % and 5 °C. Relaxation is fitted by two "
    "slow parts. Capacities of groups come from how late each goes up the steep end of a charge and down that of a "
    "discharge, with its resistance taken out."
)


def tables(found: Pack) -> dict[str, pl.DataFrame]:
    """steps, dqdv (way, group, V, Ah/V), relaxation, pulses and groups: a row a group in all but the first."""
    import polars as pl

    def framed(names: list[str], rows: list[tuple[object, ...]]) -> pl.DataFrame:
        return pl.DataFrame(rows, schema=names, orient="row").fill_nan(None)

    groups = list(enumerate(found.record.groups))
    names = ["kind", "begin [s]", "length [s]", "charge [Ah]", "energy [Wh]", "lowest [V]", "highest [V]", "at [degC]"]
    out = {
        "steps": framed(
            names, [(s.kind.value, s.begin_s, s.seconds, s.ah, s.wh, s.low_v, s.high_v, s.temp_c) for s in found.steps]
        )
    }
    if found.curves:
        rows: list[tuple[object, ...]] = [
            (c.kind.value, g, float(v), float(height))
            for c in found.curves
            for k, g in groups
            for v, height in zip(c.of.volts, c.of.ah_per_v[:, k], strict=True)
            if np.isfinite(height)
        ]
        out["dqdv"] = framed(["way", "group", "voltage [V]", "dQ/dV [Ah/V]"], rows)
    if found.rests:
        rows = []
        for r in found.rests:
            of = (r.of.settled_v, r.of.settled_se, r.of.fast_s, r.of.slow_s, r.of.fall_v)
            rows += [(r.after.value, r.begin_s, g, *(float(x[k]) for x in of)) for k, g in groups]
        names = ["after", "begin [s]", "group", "settled [V]", "settled se [V]", "fast [s]", "slow [s]", "fall [V]"]
        out["relaxation"] = framed(names, rows)
    if found.pulses:
        rows = []
        for b in found.pulses:
            mohm = [[1000.0 * float(x[k]) for x in (b.two_s, b.ohm, b.half)] for k, _ in groups]
            rows += [(b.soc_pct, b.temp_c, b.charging, b.n, g, *mohm[k]) for k, g in groups]
        names = [
            "charge [%]",
            "at [degC]",
            "charging",
            "pulses",
            "group",
            "2 s [mOhm]",
            "10 s [mOhm]",
            "half width [mOhm]",
        ]
        out["pulses"] = framed(names, rows)
    if found.groups is not None:
        c = found.groups
        rows = [(g, float(c.capacity_ah[k]), float(c.capacity_half[k])) for k, g in groups]
        out["groups"] = framed(["group", "capacity against the median [Ah]", "half width [Ah]"], rows)
    return out


def write_pack(found: Pack, out: Path | str, source: str) -> list[Path]:
    """Page and tables into a folder; the files written, the page first. Raises: StoreError."""
    stem = html.file_name(Path(source).stem)
    said = pack_words.sentences(found)
    page = StandPage(
        kind="pack on the bench",
        name=found.name,
        about=[
            ("Groups", str(len(found.record.groups))),
            ("Rated", f"{found.record.rated_ah:g} Ah"),
            ("Test", numbers.duration(float(found.record.seconds[-1]))),
            ("Full is", f"{found.ends.full_v:g} V at {found.ends.full_a:g} A or less"),
            ("Empty is", f"{found.ends.empty_v:g} V"),
        ],
        first=said[0],
        second=said[1],
        figures=[f.row for f in pack_words.figures(found)],
        told=found.told,
        cautions=OF_PACK,
        leaves=_leaves(found),
        source=source,
    )
    return [write_page(page, Path(out) / f"{stem}.html", stem), *write_tables(tables(found), out, stem)]


def _leaves(found: Pack) -> list[Leaf]:
    leaves = [Leaf("run", "The run", "", [Drawn(_run(found)), _steps(found)])]
    if found.curves:
        leaves.append(Leaf("dqdv", "Charge for each volt", "", [Drawn(_dqdv(found, c)) for c in found.curves]))
    if found.pulses:
        leaves.append(Leaf("resistance", "Resistance", "", _resistance(found)))
    if found.groups is not None:
        leaves.append(Leaf("capacity", "Capacity by group", "", [Drawn(_capacity(found))]))
    if found.rests:
        longest = max(found.rests, key=lambda r: r.seconds)
        blocks: list[Block] = [Drawn(_relaxing(found, longest)), *(_rest_table(found, r) for r in found.rests)]
        leaves.append(Leaf("relaxation", "At rest", "", blocks))
    return [*leaves, Leaf("method", "How it was found", METHOD, [])]


def _odd(found: Pack) -> dict[int, str]:
    """Groups that stand out in resistance or capacity, by place, with the colour they are drawn in."""
    odd: list[int] = []
    if found.pulses:
        odd.append(int(np.argmax(pack_words.ratios(found))))
    if found.groups is not None:
        odd.append(int(np.argmin(np.where(np.isfinite(found.groups.capacity_ah), found.groups.capacity_ah, np.inf))))
    return {k: LINES[1 + i] for i, k in enumerate(dict.fromkeys(odd))}


def _line(name: str, x: Floats, y: Floats, line: Spec) -> Spec:
    line = {"width": 1.4} | line
    return {"type": "scatter", "mode": "lines", "name": name, "x": packed(x), "y": packed(y), "line": line}


def _by_group(found: Pack, x: Sequence[Floats], y: Sequence[Floats]) -> list[Spec]:
    """A line a group: those that stand out in colour and named, the others thin."""
    odd = _odd(found)
    order = [k for k in range(len(x)) if k not in odd] + list(odd)
    data = []
    for k in order:
        name = f"group {found.record.groups[k]}"
        color = odd.get(k, "@line1")
        line = {"color": color, "width": 2.2 if k in odd else 1.0, "dash": "solid" if k in odd else "dot"}
        data.append(_line(name, x[k], y[k], line) | ({} if k in odd else {"showlegend": False}))
    return data


def _run(found: Pack) -> PageFigure:
    r = found.record
    step = max(1, r.t.size // POINTS)
    hours = r.seconds[::step] / 3600.0
    lines = [("current", r.current[::step], "y", "@line3", "solid")]
    volts = r.group_v[::step]
    for name, y, dash in (
        ("highest group", np.nanmax(volts, axis=1), "dash"),
        ("median group", np.nanmedian(volts, axis=1), "solid"),
        ("lowest group", np.nanmin(volts, axis=1), "dot"),
    ):
        lines.append((name, y, "y2", "@line1", dash))
    data = [_line(name, hours, y, {"color": color, "dash": dash}) | {"yaxis": on} for name, y, on, color, dash in lines]
    axes = {
        "xaxis": axis("Time [h]", anchor="y2"),
        "yaxis": axis("Current [A], positive on discharge", domain=[0.64, 1.0]),
        "yaxis2": axis("Voltage of groups [V]", domain=[0.0, 0.54]),
    }
    return PageFigure(
        "run",
        "Current and voltage over the test",
        f"Current and group voltages over {r.seconds[-1] / 3600:.1f} h.",
        {"data": data, "layout": layout(440, **axes)},
        height=440,
    )


def _dqdv(found: Pack, c: Curve) -> PageFigure:
    n = len(found.record.groups)
    x = [c.of.volts] * n
    y = [c.of.ah_per_v[:, k] for k in range(n)]
    low, high = (float(np.nanquantile(c.volts, q)) for q in (0.04, 0.96))
    peaks = c.of.peak_ah_per_v
    top = float(np.nanmax(peaks if np.isfinite(peaks).any() else c.of.ah_per_v))
    across = axis("Voltage of the group [V]", range=[low - 0.03, high + 0.03])
    axes = {"xaxis": across, "yaxis": axis("dQ/dV [Ah/V]", range=[0, 1.15 * top])}
    middle = f"{np.nanmedian(c.of.peak_v):.3f} V" if np.isfinite(c.of.peak_v).any() else "no place"
    rows = zip(found.record.groups, c.of.peak_v, peaks, strict=True)
    return PageFigure(
        f"dqdv-{c.kind}",
        f"dQ/dV of all {n} groups, {c.kind}",
        f"Incremental capacity of {n} groups in {c.kind}; the median group's highest peak lies at {middle}.",
        {"data": _by_group(found, x, y), "layout": layout(380, **axes)},
        note=f"At {c.rate:.2g} of the rated charge an hour. A peak apart tells resistance; a lower one, less charge.",
        head=("Group", "Peak at V", "Ah/V"),
        body=[(str(g), f"{v:.4f}", numbers.number(float(height))) for g, v, height in rows],
        height=380,
    )


def _resistance(found: Pack) -> list[Block]:
    data = []
    by = sorted({(b.temp_c, b.charging) for b in found.pulses}, key=str)
    for i, (temp, charging) in enumerate(by):
        mine = [b for b in found.pulses if (b.charging, str(b.temp_c)) == (charging, str(temp))]
        x = [b.soc_pct for b in mine]
        for name, y in (
            ("median group", [1000 * float(np.median(b.ohm)) for b in mine]),
            ("highest group", [1000 * float(np.max(b.ohm)) for b in mine]),
        ):
            word = "charging" if charging else "discharging"
            at = "" if temp != temp else f", {temp:.0f} °C"
            line = {"color": LINES[i % 6], "width": 1.6, "dash": DASHES[0 if name.startswith("median") else 1]}
            marker = {"color": LINES[i % 6], "symbol": "circle" if not charging else "square", "size": 8}
            trace = _line(f"{name}, {word}{at}", np.array(x), np.array(y), line)
            data.append(trace | {"mode": "lines+markers", "marker": marker})
    axes = {"xaxis": axis("Charge [%]"), "yaxis": axis("After 10 s [mΩ]", rangemode="tozero")}
    figure = PageFigure(
        "resistance",
        "Resistance over charge",
        "Resistance of the median and the highest group over charge, by direction and temperature.",
        {"data": data, "layout": layout(320, **axes)},
        height=320,
    )
    maps = [Drawn(one) for charging in (False, True) if (one := _resistance_map(found, charging)) is not None]
    return [Drawn(figure), *maps, _resistance_table(found)]


def _resistance_map(found: Pack, charging: bool) -> PageFigure | None:
    """The median group's resistance by charge and temperature; None unless two of each are known."""
    mine = {(b.temp_c, b.soc_pct): b for b in found.pulses if b.charging is charging and b.temp_c == b.temp_c}
    temps, charges = (sorted({key[i] for key in mine if key[1] == key[1]}) for i in (0, 1))
    temps.reverse()  # the warmest on top
    if len(temps) < 2 or len(charges) < 2:
        return None
    ohm = {place: float(np.median(one.ohm)) for place, one in mine.items()}  # NaN where a group's voltage is missing
    z = [[1000 * v if isfinite(v := ohm.get((t, s), nan)) else None for s in charges] for t in temps]
    known = [v for row in z for v in row if v is not None]
    if not known:
        return None
    word = "charging" if charging else "discharging"
    names = [f"{t:.0f} °C" for t in temps]
    across = [f"{s:.0f} %" for s in charges]
    trace = {
        "type": "heatmap",
        "z": [[None if v is None else round(v, 4) for v in row] for row in z],
        "x": list(range(len(charges))),
        "y": names,
        "zmin": 0.0,
        "zmax": max(known),
        "colorscale": MAP,
        "xgap": 1,
        "ygap": 1,
        "colorbar": {"title": {"text": "[mΩ]"}, "thickness": 12, "outlinewidth": 0},
        "hovertemplate": "%{y}: %{z:.3f} mΩ<extra></extra>",
    }
    ticks = {"tickvals": list(range(len(charges))), "ticktext": across}
    y = axis("", autorange="reversed", type="category", automargin=True)
    axes = {"xaxis": axis("Charge", automargin=True, **ticks), "yaxis": y}
    body = [(name, *("–" if v is None else numbers.number(v) for v in row)) for name, row in zip(names, z, strict=True)]
    height = 130 + 34 * len(temps)
    return PageFigure(
        f"map-{word}",
        f"Resistance map, {word}: median group after 10 s [mΩ]",
        f"{len(temps)} temperatures by {len(charges)} charges; empty where no pulse was, or a voltage is missing.",
        {"data": [trace], "layout": layout(height, showlegend=False, **axes)},
        head=("Temperature", *across),
        body=body,
        height=height,
    )


def _resistance_table(found: Pack) -> PageTable:
    """A row a group and a column a place, or the other way round where there are many places."""
    temps = {f"{b.temp_c:.0f} °C" for b in found.pulses if b.temp_c == b.temp_c}
    several = len(temps) > 1
    places = [
        ("in" if b.charging else "out")
        + (f" {b.soc_pct:.0f} %" if b.soc_pct == b.soc_pct else "")
        + (f", {b.temp_c:.0f} °C" if several else "")
        for b in found.pulses
    ]
    groups = [str(g) for g in found.record.groups]
    values = [[f"{1000 * v:.2f}" if isfinite(v) else "–" for v in b.ohm] for b in found.pulses]
    at = "" if several or not temps else f" at {next(iter(temps))}"
    caption = f"Resistance of each group after 10 s{at} [mΩ], by charge; out: discharging, in: charging"
    if len(places) <= 8:
        body = [(g, *(column[k] for column in values)) for k, g in enumerate(groups)]
        return PageTable(caption, ("Group", *places), body, frozenset(range(1, len(places) + 1)))
    rows = [(place, *row) for place, row in zip(places, values, strict=True)]
    return PageTable(caption, ("Where", *groups), rows, frozenset(range(1, len(groups) + 1)))


def _capacity(found: Pack) -> PageFigure:
    c = found.groups
    assert c is not None
    groups = [f"group {g}" for g in found.record.groups]
    x = list(range(1, len(groups) + 1))
    values = [None if v != v else round(float(v), 3) for v in c.capacity_ah]
    error = {"error_y": {"array": np.nan_to_num(c.capacity_half).tolist(), "color": "@line1"}}
    mark = {"color": "@line1", "symbol": "circle", "size": 8}
    trace = {"type": "scatter", "mode": "markers", "name": "capacity", "x": x, "y": values, "marker": mark} | error
    ticks = {"tickvals": x, "ticktext": [str(g) for g in found.record.groups]}
    zero = {"type": "line", "xref": "paper", "x0": 0, "x1": 1, "y0": 0, "y1": 0, "line": {"color": "@ink", "width": 1}}
    axes = {"xaxis": axis("Group", **ticks), "yaxis": axis("Against the median [Ah]")}
    k = int(np.argmin(np.where(np.isfinite(c.capacity_ah), c.capacity_ah, np.inf)))
    return PageFigure(
        "capacity",
        "Capacity of each group against the median group [Ah]",
        f"{groups[k]} holds {c.capacity_ah[k]:+.2f} Ah against the median.",
        {"data": [trace], "layout": layout(300, shapes=[zero], showlegend=False, **axes)},
        note="With 95 % intervals. The pack gives what its smallest group gives.",
        height=300,
    )


def _relaxing(found: Pack, r: Rest) -> PageFigure:
    n = len(found.record.groups)
    x = [r.t_s / 60.0] * n
    y = [1000 * (r.volts[:, k] - r.of.settled_v[k]) for k in range(n)]
    axes = {"xaxis": axis("Minutes since the load was taken off"), "yaxis": axis("Away from where it settles [mV]")}
    return PageFigure(
        "relaxing",
        f"All groups at rest after a {r.after}",
        f"Voltage of {n} groups less where each settles, over {r.seconds / 60:.0f} min.",
        {"data": _by_group(found, x, y), "layout": layout(320, **axes)},
        height=320,
    )


def _rest_table(found: Pack, r: Rest) -> PageTable:
    head = ("Group", "settles at V", "± mV", "fast s", "slow s", "still to go")
    body = [
        (
            str(g),
            f"{r.of.settled_v[k]:.4f}",
            f"{1960 * r.of.settled_se[k]:.2f}",
            numbers.number(float(r.of.fast_s[k])),
            numbers.number(float(r.of.slow_s[k])),
            "yes" if r.of.short[k] else "no",
        )
        for k, g in enumerate(found.record.groups)
    ]
    caption = f"Rest of {numbers.duration(r.seconds)} after the {r.after}, {numbers.duration(r.begin_s)} into the test"
    return PageTable(caption, head, body, frozenset(range(5)), folded=True)


def _steps(found: Pack) -> PageTable:
    head = ("Step", "begins", "lasts", "Ah", "Wh", "lowest V", "highest V", "°C")
    body = [
        (
            s.kind.value,
            numbers.duration(s.begin_s) or "0 s",
            numbers.duration(s.seconds),
            f"{s.ah:.3f}",
            f"{s.wh:.1f}",
            f"{s.low_v:.3f}",
            f"{s.high_v:.3f}",
            "–" if s.temp_c != s.temp_c else f"{s.temp_c:.1f}",
        )
        for s in found.steps
    ]
    return PageTable("Steps of half a minute and more", head, body, frozenset(range(3, 8)), folded=True)


def write_pack_change(found: PackChange, out: Path | str, first: str, second: str) -> list[Path]:
    """Page and table of two tests compared; the files written, the page first. Raises: StoreError."""
    import polars as pl

    stem = html.file_name(f"{Path(first).stem}-{Path(second).stem}")
    said = pack_words.change_sentences(found)
    page = StandPage(
        kind="two pack tests compared",
        name=f"{found.first.name} and {found.second.name}",
        about=[("First", found.first.name), ("Second", found.second.name)],
        first=said[0],
        second=said[1],
        figures=[f.row for f in pack_words.changed(found)],
        told=list(dict.fromkeys([*found.first.told, *found.second.told])),
        cautions=OF_PACK,
        leaves=[],
        source=f"{first} and {second}",
    )
    rows = pl.DataFrame(list(found.rows), schema=["figure", "unit", "difference", "half width of 95 %"], orient="row")
    return [write_page(page, Path(out) / f"{stem}.html", stem), *write_tables({"difference": rows}, out, stem)]
