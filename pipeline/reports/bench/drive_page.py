"""The page of a drive test, and of two compared."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.bench.dynamometer.drive import Drive, DriveChange, EfficiencyMap
from herdbook.pipeline.reports.bench import drive_figures, drive_words
from herdbook.pipeline.reports.bench.stand_page import OF_DRIVE, StandPage, write_page, write_tables
from herdbook.pipeline.reports.page import html
from herdbook.pipeline.reports.page.blocks import Block, Drawn, Leaf, Note, PageTable
from herdbook.pipeline.reports.words import numbers

if TYPE_CHECKING:
    import polars as pl

METHOD = (
    "A point counts where speed and torque hold for the time set. Its error is that of the instruments and of the mean "
    "of its samples, taken on by first-order propagation (JCGM 100). The map is a fit of the loss over speed and "
    "torque with what is left over near each place taken back, and blank where no point lies near. Errors that all "
    "points have in common (gain, zero) are in each interval."
)


def tables(found: Drive) -> dict[str, pl.DataFrame]:
    """points: every steady point with all channels; map-driving and map-braking: as drawn."""
    import polars as pl

    p = found.powers
    columns = {"begin [s]": found.points.begin_s, "end [s]": found.points.end_s}
    units = {
        "torque": "Nm",
        "wheel_torque": "Nm",
        "speed": "rpm",
        "wheel_speed": "rpm",
        "winding": "degC",
        "ambient": "degC",
    }
    for name, m in found.points.of.items():
        unit = units.get(name, "V" if "voltage" in name else "A")
        columns |= {f"{name} [{unit}]": m.value, f"{name} se [{unit}]": m.se}
    columns |= {"electrical [W]": p.electrical_w, "mechanical [W]": p.mechanical_w, "loss [W]": p.loss_w}
    columns |= {"loss se [W]": p.loss_se, "efficiency [1]": p.efficiency, "efficiency se [1]": p.efficiency_se}
    out = {"points": pl.DataFrame(columns).fill_nan(None)}
    for way, one in found.maps().items():
        rpm, torque = np.meshgrid(one.speed_rpm, one.torque_nm)
        field = {
            "speed [rpm]": rpm.ravel(),
            "torque [Nm]": torque.ravel(),
            "efficiency [1]": one.efficiency.ravel(),
            "half width of 95 % [1]": one.half_width.ravel(),
        }
        out[f"map-{way}"] = pl.DataFrame(field).fill_nan(None)
    return out


def write_drive(found: Drive, out: Path | str, source: str) -> list[Path]:
    """Page and tables into a folder; the files written, the page first. Raises: StoreError."""
    stem = html.file_name(Path(source).stem)
    first, second = drive_words.sentences(found)
    r = found.record
    page = StandPage(
        kind="motor and drive on the stand",
        name=found.name,
        about=[
            ("Steady points", str(len(found.points))),
            ("Run", numbers.duration(float(r.t_s[-1]))),
            ("Clocks", "the log's and the table's" if r.aligned else "one"),
            *([("Motor", r.motor)] if r.motor else []),
        ],
        first=first,
        second=second,
        figures=[f.row for f in drive_words.figures(found)],
        told=found.told,
        cautions=OF_DRIVE,
        leaves=_leaves(found),
        source=source,
    )
    return [write_page(page, Path(out) / f"{stem}.html", stem), *write_tables(tables(found), out, stem)]


def _leaves(found: Drive) -> list[Leaf]:
    leaves = [
        Leaf(f"efficiency-{way}", f"Efficiency {way}", "", _map_blocks(found, way, one))
        for way, one in found.maps().items()
    ]
    machine: list[Block] = []
    if found.constants.torque_nm_per_a is not None:
        machine.append(Drawn(drive_figures.torque_figure(found)))
    if found.constants.drag is not None:
        machine.append(Drawn(drive_figures.drag_figure(found)))
    if found.parts:
        machine.append(_parts_table(found))
    if machine:
        leaves.append(Leaf("machine", "The machine", "", machine))
    if found.heat is not None:
        leaves.append(
            Leaf("heat", "What torque it bears", HEAT_LEAD, [Drawn(drive_figures.heat_figure(found)), *_bears(found)])
        )
    return [*leaves, Leaf("points", "Every steady point", METHOD, [_points_table(found)])]


HEAT_LEAD = (
    "From the temperature of the winding during the run, by one body with one time constant. What lies above the "
    "currents that were driven is computed, not tried: iron saturates, controller and magnets have limits of their own."
)


def _map_blocks(found: Drive, way: str, one: EfficiencyMap) -> list[Block]:
    return [Drawn(drive_figures.efficiency_figure(found, way, one)), Drawn(drive_figures.half_width_figure(way, one))]


def _parts_table(found: Drive) -> PageTable:
    head = ("rpm", "Nm", "input W", "output W", "drag W", "copper W", "rest W", "assigned stray W")
    body = [
        tuple(
            numbers.number(v)
            for v in (p.rpm, p.torque_nm, p.input_w, p.output_w, p.drag_w, p.copper_w, p.rest_w, p.assigned_w)
        )
        for p in sorted(found.parts, key=lambda p: (p.rpm, p.torque_nm))
    ]
    caption = (
        "Losses apart, in the manner of IEC 60034-2-1: rest is power stage, stray and error. The assigned stray load "
        "loss is the standard's figure for induction machines, from memory, and only for comparison"
    )
    return PageTable(caption, head, body, frozenset(range(8)))


def _bears(found: Drive) -> list[Block]:
    assert found.heat is not None
    if not found.heat.bears:
        return [Note("No limit of the winding's temperature is given.", "absent")]
    rows = []
    for b in found.heat.bears:
        at = f" at {b.rpm:.0f} rpm" if b.rpm else ""
        amps = f"{b.amps[0]:.1f} ({b.amps[1]:.1f} to {b.amps[2]:.1f})"
        torque = f"{b.torque_nm[0]:.2f} ({b.torque_nm[1]:.2f} to {b.torque_nm[2]:.2f})"
        rows.append((drive_words.span(b) + at, amps, torque, "driven" if b.tried else "more than was driven"))
    coil = found.winding
    caption = f"Until the winding is at {coil.limit_c:.0f} °C, from the temperature of the air, {coil.air_c:.0f} °C"
    return [PageTable(caption, ("How long", "Motor current [A]", "Torque [Nm]", "Tried"), rows)]


def _points_table(found: Drive) -> PageTable:
    p, pts = found.powers, found.points
    head = ("rpm", "Nm", "motor A", "input W", "shaft W", "loss W", "efficiency %", "±", "winding °C")
    body = []
    for k in range(len(pts)):
        row = [pts[n].value[k] for n in ("speed", "torque", "motor_current")]
        row += [
            p.electrical_w[k],
            p.mechanical_w[k],
            p.loss_w[k],
            100 * p.efficiency[k],
            196 * p.efficiency_se[k],
            pts["winding"].value[k],
        ]
        body.append(tuple("–" if v != v else numbers.number(float(v)) for v in row))
    return PageTable("All steady points", head, body, frozenset(range(9)), folded=True)


def write_drive_change(found: list[DriveChange], out: Path | str, first: str, second: str) -> list[Path]:
    """Page and tables of two tests compared; the files written, the page first. Raises: StoreError."""
    import polars as pl

    stem = html.file_name(f"{Path(first).stem}-{Path(second).stem}")
    a, b = found[0].first, found[0].second
    said = drive_words.change_sentences(found)
    page = StandPage(
        kind="two drive tests compared",
        name=f"{a.name} and {b.name}",
        about=[("First", a.name), ("Second", b.name)],
        first=said[0],
        second=said[1],
        figures=[f.row for f in drive_words.changed(found)],
        told=list(dict.fromkeys([*a.told, *b.told])),
        cautions=OF_DRIVE,
        leaves=[Leaf("difference", "Difference", CHANGE, [Drawn(drive_figures.difference_figure(c)) for c in found])],
        source=f"{first} and {second}",
    )
    frames = {}
    for c in found:
        rpm, torque = np.meshgrid(c.speed_rpm, c.torque_nm)
        field = {"speed [rpm]": rpm.ravel(), "torque [Nm]": torque.ravel()}
        field |= {"difference [1]": c.difference.ravel(), "half width of 95 % [1]": c.half_width.ravel()}
        frames[f"difference-{c.way}"] = pl.DataFrame(field).fill_nan(None)
    return [write_page(page, Path(out) / f"{stem}.html", stem), *write_tables(frames, out, stem)]


CHANGE = (
    "Each place is the difference of the two maps with the intervals of both. Errors of instruments count as if each "
    "test had its own; --same-instruments leaves them out."
)
