"""The coast-down test: what rolling and air take from a vehicle, from coasts of the same stretch in both directions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.bench.dynamometer.coasts import Fall, coasts_of, falls
from herdbook.pipeline.bench.dynamometer.records import is_bus_log, profile_of, read_log, table_channel
from herdbook.pipeline.bench.dynamometer.sheet import Sheet, name_of, read_sheet
from herdbook.pipeline.errors import InputError
from herdbook.pipeline.science.coast_down import (
    AIR_AT_REFERENCE,
    K0_PER_K,
    Coast,
    Estimate,
    PairFit,
    RoadLoadDifference,
    at_reference,
    difference,
    fit_pair,
    force_at,
    over_repeats,
)
from herdbook.pipeline.science.road import GRAVITY
from herdbook.pipeline.vehicle.profile import Profile

SAME = "Errors of scale and speed sensor are left out: that both tests had the same ones is the tester's word."
WAYS = ("there", "back")
TURNING, TURNING_SE = 0.03, 0.01  # turning parts as a share of the mass, where they were not weighed: common practice
SPEED_SE = 0.005  # share, of a speed nobody calibrated (engineering choice)
LEAST_RANGE_MS = 2.5
BIN_MS = 5.0 / 3.6


@dataclass(frozen=True, slots=True)
class Conditions:
    """Of the day. mass_kg: with rider and load; turning_kg: what the turning parts add; errors as standard errors."""

    mass_kg: float
    mass_se_kg: float
    turning_kg: float
    turning_se_kg: float
    air_c: float
    pressure_kpa: float
    k0_per_k: float
    speed_se: float

    @property
    def moved_kg(self) -> float:
        return self.mass_kg + self.turning_kg

    @property
    def mass_share(self) -> float:
        return float(np.hypot(self.mass_se_kg, self.turning_se_kg)) / self.moved_kg


@dataclass(frozen=True, slots=True)
class Point:
    """Mean force over a piece of speed in one pair [N], at the conditions of the day; there and back apart."""

    pair: int
    speed_ms: float
    there_n: float
    back_n: float

    @property
    def mean_n(self) -> float:
        return 0.5 * (self.there_n + self.back_n)


@dataclass(frozen=True, slots=True)
class CoastDown:
    """The result. load: F0, F1, F2 at 20 degC and 100 kPa; forces (pairs, 3): of each pair likewise; pairs: fits of the
    day, in order; points: what was read off the coasts; told: assumptions and oddities."""

    name: str
    conditions: Conditions
    with_f1: bool
    pairs: tuple[PairFit, ...]
    coasts: tuple[tuple[Coast, Coast], ...]
    range_ms: tuple[float, float]
    forces: Floats
    load: Estimate
    grid_ms: Floats
    points: tuple[Point, ...]
    told: tuple[str, ...]

    @property
    def curve(self) -> Estimate:
        return self.curve_at(self.grid_ms)

    def curve_at(self, speed_ms: Floats) -> Estimate:
        """Force at each speed, at reference."""
        curves = np.array([force_at(force, speed_ms) for force in self.forces])
        mean = self.load.value
        pull = mean[0] - mean[2] * speed_ms**2  # of a wrong scale of speed: F0 rises with it, F2 falls
        shared = np.hypot(self.conditions.mass_share * np.abs(curves.mean(axis=0)), self.conditions.speed_se * pull)
        return over_repeats(curves, np.asarray(shared))

    @property
    def drag_area_m2(self) -> tuple[float, float]:
        """Drag coefficient times frontal area, half width of its 95 % interval."""
        share = 2.0 / AIR_AT_REFERENCE
        return share * float(self.load.value[2]), share * float(self.load.half_width[2])

    @property
    def rolling(self) -> tuple[float, float]:
        """Rolling resistance over weight, half width of its 95 % interval."""
        weight = self.conditions.mass_kg * GRAVITY
        return float(self.load.value[0]) / weight, float(self.load.half_width[0]) / weight


def coast_down(path: Path | str, instruments: bool = True) -> CoastDown:
    """The test a sheet describes. instruments: the errors of scale and speed count; without, only what differs between
    pairs does. Raises: InputError when it cannot be evaluated, with the reason."""
    sheet = read_sheet(path, "coast-down")
    name, profile, with_f1 = name_of(sheet), profile_of(sheet), sheet.flag("f1")
    told: list[str] = []
    conditions = _conditions(sheet, told)
    if not instruments:
        conditions = replace(conditions, mass_se_kg=0.0, turning_se_kg=0.0, speed_se=0.0)
        told = [SAME]
    asked = (
        sheet.number("from_kmh", "km/h", 3.0, 300.0, 300.0) / 3.6,
        sheet.number("to_kmh", "km/h", 1.0, 300.0, 1.0) / 3.6,
    )
    runs = sheet.tables("run")
    sheet.all_known()
    if not runs:
        raise sheet.wrong("[[run]]", "is missing: a coast-down needs runs", 'Add [[run]] with log = "..." for each log')
    going: dict[str, list[Fall]] = {way: [] for way in WAYS}
    for run in runs:
        for way, fall in _falls(run, profile, told):
            going[way].append(fall)
    pairs = _paired(sheet, going, told)
    low, high = _range(sheet, pairs, asked)
    cut = tuple((a.within(low, high), b.within(low, high)) for a, b in pairs)
    fits = _fits(sheet, cut, conditions.moved_kg, with_f1)
    if len(fits) < 2:
        told.append("One pair of coasts: how far another would differ is not known, so no interval stands beside it.")
    return _result(name, conditions, with_f1, fits, cut, (low, high), told)


def _conditions(sheet: Sheet, told: list[str]) -> Conditions:
    mass = sheet.number("mass_kg", "kg", 5.0, 5000.0)
    if not sheet.has("mass_se_kg"):
        told.append("How well the mass is known is not given: 0.5 % is assumed (mass_se_kg).")
    if not sheet.has("turning_kg"):
        told.append(
            f"What the turning parts add is not given: {TURNING:.0%} of the mass ± {TURNING_SE:.0%} is assumed "
            "(turning_kg; common practice)."
        )
    if not sheet.has("speed_se_pct"):
        told.append(f"How well the speed is calibrated is not given: {SPEED_SE:.1%} is assumed (speed_se_pct).")
    return Conditions(
        mass_kg=mass,
        mass_se_kg=sheet.number("mass_se_kg", "kg", 0.0, 100.0, 0.005 * mass),
        turning_kg=sheet.number("turning_kg", "kg", 0.0, 500.0, TURNING * mass),
        turning_se_kg=sheet.number("turning_se_kg", "kg", 0.0, 100.0, TURNING_SE * mass),
        air_c=sheet.number("air_c", "degC", -40.0, 60.0),
        pressure_kpa=sheet.number("pressure_kpa", "kPa", 50.0, 110.0),
        k0_per_k=sheet.number("k0_per_k", "per K", -0.05, 0.05, K0_PER_K),
        speed_se=sheet.number("speed_se_pct", "%", 0.0, 10.0, 100 * SPEED_SE) / 100.0,
    )


def _falls(run: Sheet, profile: Profile | None, told: list[str]) -> list[tuple[str, Fall]]:
    """The coasts of one log with their ways."""
    path = run.file("log")
    if path is None:
        raise run.wrong("log", "is missing. Name a bus log or a table")
    ways, columns = run.texts("directions", WAYS), run.table("columns")
    if run.has("direction"):
        ways = [run.text("direction", among=WAYS)]
    run.all_known()
    if is_bus_log(path):
        log = read_log(path, profile)
        found, asked = coasts_of(log, log.needed("vehicle_speed"))
        if not asked:
            told.append(
                f"{path.name}: neither motor current nor throttle nor brake is mapped; any fall of speed counts."
            )
    else:
        found = falls(table_channel(path, "vehicle_speed", columns))
        told.append("Nothing in the tables says that nothing drove or braked: that is the tester's word.")
    if not found:
        do = "A coast is 5 s or more without drive and brake that lose 11 km/h or more"
        raise InputError("no coast was found", path, do)
    listed = "; ".join(f"{k}: {fall.in_words}" for k, fall in enumerate(found, start=1))
    if not ways:
        do = 'Say which way each went: directions = ["there", "back", ...]'
        raise InputError(f"{len(found)} coasts were found ({listed}), and no direction is given", path, do)
    if len(ways) != len(found):
        do = "Give a direction for each coast that was found, in order of time"
        raise InputError(f"{len(found)} coasts were found ({listed}), and {len(ways)} directions given", path, do)
    return list(zip(ways, found, strict=True))


def _paired(sheet: Sheet, going: dict[str, list[Fall]], told: list[str]) -> list[tuple[Coast, Coast]]:
    there, back = (going[way] for way in WAYS)
    if not there or not back:
        only = WAYS[0] if there else WAYS[1]
        what = f"all coasts go {only}: slope and wind cannot be told from drag"
        raise InputError(what, sheet.path, "Coast the same stretch in the other direction as well")
    if left := abs(len(there) - len(back)):
        told.append(f"{left} coast{'s' if left > 1 else ''} without a partner in the other direction: left out.")
    return [
        (Coast(a.seconds, a.speed_ms, True), Coast(b.seconds, b.speed_ms, False))
        for a, b in zip(there, back, strict=False)
    ]


def _range(sheet: Sheet, pairs: Sequence[tuple[Coast, Coast]], asked: tuple[float, float]) -> tuple[float, float]:
    """Lowest and highest speed that all coasts pass, within what is asked for."""
    every = [coast for pair in pairs for coast in pair]
    high = min(asked[0], *(float(c.speed_ms[:5].mean()) for c in every))
    low = max(asked[1], *(float(c.speed_ms[-5:].mean()) for c in every))
    if high - low < LEAST_RANGE_MS:
        what = f"the coasts have only {3.6 * low:.0f} to {3.6 * high:.0f} km/h in common"
        raise InputError(what, sheet.path, "Coast each from the same speed to the same speed, 9 km/h or more apart")
    return low, high


def _fits(sheet: Sheet, pairs: Sequence[tuple[Coast, Coast]], moved_kg: float, with_f1: bool) -> tuple[PairFit, ...]:
    found = []
    for number, (there, back) in enumerate(pairs, start=1):
        try:
            fit = fit_pair(there, back, moved_kg, with_f1)
        except ValueError as error:
            raise InputError(
                f"pair {number}: {error}", sheet.path, "Record speed more often, or coast longer"
            ) from None
        found.append(fit)
    return tuple(found)


def _result(
    name: str,
    conditions: Conditions,
    with_f1: bool,
    fits: tuple[PairFit, ...],
    cut: tuple[tuple[Coast, Coast], ...],
    range_ms: tuple[float, float],
    told: list[str],
) -> CoastDown:
    forces = at_reference(
        np.array([fit.force for fit in fits]), conditions.air_c, conditions.pressure_kpa, conditions.k0_per_k
    )
    mean = forces.mean(axis=0)
    grid = np.linspace(*range_ms, 41)
    mass, speed = conditions.mass_share, conditions.speed_se
    shared = np.abs(mean) * np.hypot(mass, speed * np.array([1.0, 0.0, 1.0]))
    load = over_repeats(forces, shared)
    if mean[2] <= 0.0 or mean[0] <= 0.0:
        told.append("A force came out negative: the range of speeds is too narrow to part rolling from air.")
    return CoastDown(
        name=name,
        conditions=conditions,
        with_f1=with_f1,
        pairs=fits,
        coasts=cut,
        range_ms=range_ms,
        forces=forces,
        load=load,
        grid_ms=grid,
        points=tuple(_points(cut, range_ms, conditions.moved_kg)),
        told=tuple(dict.fromkeys(told)),
    )


def _points(pairs: Sequence[tuple[Coast, Coast]], range_ms: tuple[float, float], moved_kg: float) -> list[Point]:
    """Mean force between speeds a bin apart: mass times their difference over the time it took."""
    low, high = range_ms
    edges = np.linspace(low, high, max(2, round((high - low) / BIN_MS) + 1))
    out = []
    for number, pair in enumerate(pairs, start=1):
        there, back = (moved_kg * np.diff(edges) / -np.diff(_times_at(coast, edges)) for coast in pair)
        middle = 0.5 * (edges[1:] + edges[:-1])
        rows = zip(middle.tolist(), there.tolist(), back.tolist(), strict=True)
        out += [Point(number, v, a, b) for v, a, b in rows]
    return out


def _times_at(coast: Coast, speeds: Floats) -> Floats:
    """When the coast passes each speed: by a bent line through the samples within half a bin."""
    out = np.empty(speeds.size)
    for k, v in enumerate(speeds):
        reach = 0.5 * BIN_MS
        near = np.flatnonzero(np.abs(coast.speed_ms - v) < reach)
        t, s = coast.t_s[near], coast.speed_ms[near]
        enough = near.size >= 5 and np.unique(s).size >= 3
        out[k] = np.polyfit(s - v, t, 2)[-1] if enough else np.interp(-v, -coast.speed_ms, coast.t_s)
    return out


@dataclass(frozen=True, slots=True)
class CoastChange:
    """Second test less first. load: of F0, F1, F2; curve: of the force at grid_ms; all at 20 degC and 100 kPa."""

    first: CoastDown
    second: CoastDown
    load: RoadLoadDifference
    grid_ms: Floats
    curve: RoadLoadDifference


def compare_coasts(first: CoastDown, second: CoastDown) -> CoastChange:
    """Two tyres, wheels or builds. Raises: InputError when they share no range of speed, or one is a single pair."""
    for one in (first, second):
        if one.load.dof < 1:
            raise InputError(
                f"{one.name} has one pair of coasts, so nobody knows how far another would differ", "", "Coast again"
            )
    low = max(first.range_ms[0], second.range_ms[0])
    high = min(first.range_ms[1], second.range_ms[1])
    if high - low < LEAST_RANGE_MS:
        raise InputError(
            f"{first.name} and {second.name} share no range of speed", "", "Coast both from the same speed"
        )
    grid = np.linspace(low, high, 41)
    curve = difference(first.curve_at(grid), second.curve_at(grid))
    return CoastChange(first, second, difference(first.load, second.load), grid, curve)
