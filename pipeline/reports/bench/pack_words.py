"""A pack test in figures and sentences, for page and terminal alike."""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.bench.dynamometer.pack import Pack, PackChange
from herdbook.pipeline.bench.dynamometer.pack_groups import PulseBin
from herdbook.pipeline.bench.dynamometer.pack_steps import Kind, Passed
from herdbook.pipeline.reports.bench.stand_page import Figured
from herdbook.pipeline.reports.words import numbers

NAN = float("nan")


def figures(found: Pack) -> list[Figured]:
    out: list[Figured] = []
    for kind in (Kind.DISCHARGE, Kind.CHARGE):
        mine = [p for p in found.passed if p.kind is kind]
        if mine:
            out += _passed(found, mine[-1])
    if found.trip is not None:
        t = found.trip
        out.append(Figured("energy that comes back", 100 * t.energy, 100 * t.energy_half, "%", "from full to full"))
        out.append(Figured("back for each ampere-hour", 100 * t.voltage, NAN, "%", "whatever the two ends"))
    out += [_pulse(b) for b in found.pulses]
    if found.pulses:
        out.append(_most_resistance(found))
    if found.groups is not None:
        known = np.where(np.isfinite(found.groups.capacity_ah), found.groups.capacity_ah, np.inf)
        k = int(np.argmin(known))
        value, half = float(found.groups.capacity_ah[k]), float(found.groups.capacity_half[k])
        remark = f"group {found.record.groups[k]}, against the median"
        out.append(Figured("least capacity of a group", value, half, "Ah", remark))
    for c in found.curves:
        peak = c.of.peak_v
        if np.isfinite(peak).sum() > 2:
            k = int(np.nanargmax(np.abs(peak - np.nanmedian(peak))))
            away = 1000 * float(peak[k] - np.nanmedian(peak))
            remark = f"group {found.record.groups[k]}; median at {np.nanmedian(peak):.3f} V"
            out.append(Figured(f"farthest peak, {c.kind}", away, NAN, "mV", remark))
    return out


def _passed(found: Pack, p: Passed) -> list[Figured]:
    end = found.first_at_the_end(p.kind)
    word = "down" if p.kind is Kind.DISCHARGE else "up"
    first = f"in {p.hours:.1f} h; group {end} was {word} first" if end is not None else f"in {p.hours:.1f} h"
    share = f"{100 * p.ah / found.record.rated_ah:.1f} % of the rated charge"
    return [
        Figured(f"{p.kind}", p.ah, p.ah_half, "Ah", f"{first}; {share}"),
        Figured(f"energy of the {p.kind}", p.wh, p.wh_half, "Wh"),
    ]


def place(b: PulseBin) -> str:
    soc = "" if b.soc_pct != b.soc_pct else f" at {b.soc_pct:.0f} %"
    temp = "" if b.temp_c != b.temp_c else f", {b.temp_c:.0f} °C"
    return ("charging" if b.charging else "discharging") + soc + temp


def _pulse(b: PulseBin) -> Figured:
    n = numbers.plural(b.n, "pulse")
    half = 1000 * float(np.median(b.half)) / np.sqrt(b.half.size) * 1.2533
    return Figured(
        f"resistance {place(b)}", 1000 * float(np.median(b.ohm)), half, "mOhm", f"median group after 10 s, {n}"
    )


def ratios(found: Pack) -> Floats:
    """Each group's resistance over the median group's, mean over all bins."""
    return np.asarray(np.mean([b.ohm / np.median(b.ohm) for b in found.pulses], axis=0))


def _most_resistance(found: Pack) -> Figured:
    of = ratios(found)
    k = int(np.argmax(of))
    half = float(np.sqrt(np.sum([(b.half[k] / np.median(b.ohm)) ** 2 for b in found.pulses])) / len(found.pulses))
    return Figured(
        "highest resistance", float(of[k]), half, "1", f"group {found.record.groups[k]}, times the median group's"
    )


def sentences(found: Pack) -> tuple[str, str]:
    c = found.capacity
    if c is not None:
        row, wh = (f.row for f in _passed(found, c))
        way = "from full to empty" if c.kind is Kind.DISCHARGE else "from empty to full"
        first = f"{row[1]} ± {row[2]} Ah and {wh[1]} ± {wh[2]} Wh {way}."
    else:
        first = "No capacity: the pack was not taken from one end to the other."
    second = f"{numbers.plural(len(found.record.groups), 'group')}, {numbers.plural(len(found.steps), 'step')}"
    n = sum(b.n for b in found.pulses)
    return first, f"From {second}, {numbers.plural(n, 'pulse')}, {numbers.plural(len(found.rests), 'long rest')}."


def changed(found: PackChange) -> list[Figured]:
    """Second less first."""
    return [
        Figured(name, value, half, unit, "differs" if abs(value) > half else "no difference is shown")
        for name, unit, value, half in found.rows
    ]


def change_sentences(found: PackChange) -> tuple[str, str]:
    name, unit, value, half = found.rows[0]
    row = Figured("", abs(value), half, unit).row
    if abs(value) > half:
        word = "more" if value > 0 else "less"
        first = f"{found.second.name}: {row[1]} ± {row[2]} {row[3]} {word}, {name}."
    else:
        first = f"{name[:1].upper()}{name[1:]}: no difference is shown, {row[1]} ± {row[2]} {row[3]}."
    return first, f"{found.second.name} less {found.first.name}, 95 % intervals."
