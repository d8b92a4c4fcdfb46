"""A drive test in figures and sentences, for page and terminal alike."""

from __future__ import annotations

import math

import numpy as np

from herdbook.pipeline.bench.dynamometer.drive import Drive, DriveChange, EfficiencyMap, constants_compared
from herdbook.pipeline.bench.dynamometer.drive_constants import Known
from herdbook.pipeline.bench.dynamometer.drive_heat import Bears
from herdbook.pipeline.reports.bench.stand_page import Figured
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.science.machine import rpm_per_volt
from herdbook.pipeline.science.meta_analysis import Z95

NAN = float("nan")


def figures(found: Drive) -> list[Figured]:
    """What was found, efficiency first; what could not be found is in `told`."""
    out = [_best(found, way, one) for way, one in found.maps().items()]
    c, coil = found.constants, found.winding
    if not out and found.useful.any():
        k = int(np.nanargmax(np.where(found.useful, found.powers.efficiency, -1.0)))
        value, half = found.powers.efficiency[k], Z95 * found.powers.efficiency_se[k]
        out.append(Figured("highest efficiency", 100 * value, 100 * half, "%", _place(found, k)))
    if found.braking is not None:
        out.append(_returned(found))
    if c.torque_nm_per_a is not None:
        ideal = numbers.number(rpm_per_volt(c.torque_nm_per_a.value))
        remark = f"ideal direct-current machine: {ideal} rpm/V"
        out.append(_figured("torque constant", c.torque_nm_per_a, "Nm/A", remark))
    if c.volts_per_krpm is not None:
        out.append(_figured("voltage constant", c.volts_per_krpm, "V/krpm", "peak between two phases"))
    if coil.metered is not None:
        out.append(_figured("resistance of a phase", coil.metered, "ohm", "at 20 °C, by a meter"))
    if coil.loaded is not None:
        out.append(_figured("resistance under load", coil.loaded, "ohm", "at 20 °C, from losses that grow with i²"))
    if not math.isnan(coil.rise_k):
        out.append(Figured("rise by resistance", coil.rise_k, NAN, "K", "mean of the winding, after the run"))
    if c.drag is not None:
        out += _drag(found)
    if found.heat is not None:
        tau, low, high = found.heat.model.interval(found.heat.model.tau_s)
        out.append(Figured("time constant of the winding", tau, 0.5 * (high - low), "s"))
        out += [_bears(b) for b in found.heat.bears if b.seconds in (60.0, np.inf)]
    if c.belt is not None:
        out.append(Figured("efficiency of the belt", 100 * c.belt.value, 100 * c.belt.half_width, "%"))
    if c.slip is not None:
        out.append(Figured("slip of the belt", 100 * c.slip.value, 100 * c.slip.half_width, "%"))
    return out


def _figured(name: str, known: Known, unit: str, remark: str = "") -> Figured:
    return Figured(name, known.value, known.half_width, unit, remark)


def _place(found: Drive, k: int) -> str:
    rpm, torque = (abs(float(found.points[name].value[k])) for name in ("speed", "torque"))
    return f"at {rpm:.0f} rpm and {torque:.2f} Nm"


def _best(found: Drive, way: str, one: EfficiencyMap) -> Figured:
    """The best of the points that were measured: a map's own best may lie between them."""
    use = one.points & found.useful
    k = int(np.argmax(np.where(use, found.powers.efficiency, -1.0)))
    value, half = 100 * found.powers.efficiency[k], 100 * Z95 * found.powers.efficiency_se[k]
    return Figured(f"best efficiency {way}", float(value), float(half), "%", _place(found, k))


def _returned(found: Drive) -> Figured:
    """What comes back of all that the shaft gave while braking, over the points with each the same time."""
    use = found.braking.points if found.braking is not None else np.zeros(0, np.bool_)
    p = found.powers
    given, back = -p.mechanical_w[use].sum(), -p.electrical_w[use].sum()
    half = Z95 * float(np.hypot(p.electrical_se[use].mean() * use.sum(), p.mechanical_se[use].mean() * use.sum()))
    n = numbers.plural(int(use.sum()), "point")
    return Figured("comes back while braking", 100 * back / given, 100 * half / given, "%", f"all {n} together")


def _drag(found: Drive) -> list[Figured]:
    c = found.constants
    assert c.drag is not None
    rows = [
        Figured("drag: Coulomb and hysteresis", float(c.drag.value[0]), float(c.drag.halves[0]), "Nm", c.drag_how),
        Figured(
            "drag: viscous and eddy currents", float(1e3 * c.drag.value[1]), float(1e3 * c.drag.halves[1]), "mNm s"
        ),
    ]
    if c.drag.value[2]:
        rows.append(
            Figured("drag: with speed squared", float(1e6 * c.drag.value[2]), float(1e6 * c.drag.halves[2]), "µNm s²")
        )
    if c.bare is not None:
        iron = c.drag.value - c.bare.value
        half = np.hypot(c.drag.halves, c.bare.halves)
        rows.append(Figured("of it hysteresis", float(iron[0]), float(half[0]), "Nm", "less a rotor without magnets"))
        rows.append(Figured("of it eddy currents", float(1e3 * iron[1]), float(1e3 * half[1]), "mNm s"))
    return rows


def span(b: Bears) -> str:
    return "for good" if b.seconds == np.inf else f"for {numbers.duration(b.seconds)}"


def _bears(b: Bears) -> Figured:
    best, low, high = b.torque_nm
    remark = f"{b.amps[0]:.0f} A" + ("" if b.tried else ": more than was driven")
    at = f" at {b.rpm:.0f} rpm" if b.rpm else ""
    return Figured(f"torque {span(b)}{at}", best, 0.5 * (high - low), "Nm", remark)


def sentences(found: Drive) -> tuple[str, str]:
    n = numbers.plural(len(found.points), "steady point")
    best = [f for f in figures(found) if "efficiency" in f.name and "belt" not in f.name]
    if best:
        first = "; ".join(f"{f.name} {f.row[1]} ± {f.row[2]} % {f.remark}" for f in best[:2])
        first = f"{first[:1].upper()}{first[1:]}."
    else:
        first = f"{n}, and no efficiency: what was recorded does not allow one."
    return first, f"From {n}. {clock(found)}".strip()


def clock(found: Drive) -> str:
    """How the table's clock was laid beside the log's."""
    a = found.record.aligned
    if a is None:
        return ""
    late = found.record.late_s
    se = f" ± {Z95 * a.offset_se_s:.2g}" if a.offset_se_s == a.offset_se_s else ""
    drift = (
        f", its clock drifts by {-1e6 * a.drift:.0f} ± {1e6 * Z95 * a.drift_se:.0f} ppm"
        if a.drift_se == a.drift_se
        else ""
    )
    word = "after" if late >= 0 else "before"
    return (
        f"The stand's table begins {abs(late):.2f}{se} s {word} the log{drift}; aligned by {found.record.by} over "
        f"{numbers.plural(a.windows, 'stretch', 'stretches')}."
    )


def changed(found: list[DriveChange]) -> list[Figured]:
    """Second less first."""
    out = []
    for c in found:
        remark = f"over the places both have; {100 * c.told_apart:.0f} % of them differ"
        out.append(Figured(f"efficiency {c.way}", 100 * c.overall, 100 * c.overall_half, "points", remark))
    first, second = found[0].first, found[0].second
    for name, unit, value, half in constants_compared(first, second):
        out.append(Figured(name, value, half, unit, "differs" if abs(value) > half else "no difference is shown"))
    return out


def change_sentences(found: list[DriveChange]) -> tuple[str, str]:
    c = found[0]
    row = Figured("", 100 * abs(c.overall), 100 * c.overall_half, "").row
    word = "higher" if c.overall > 0 else "lower"
    if abs(c.overall) > c.overall_half:
        first = f"Efficiency {c.way} of {c.second.name} is {word} by {row[1]} ± {row[2]} points on average."
    else:
        first = f"Efficiency {c.way}: no difference is shown on average, {row[1]} ± {row[2]} points {word}."
    return first, f"{c.second.name} less {c.first.name}, over the speeds and torques that both have."
