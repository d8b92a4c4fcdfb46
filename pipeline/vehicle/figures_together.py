"""Figures of a profile held against each other: what cannot be together is refused, what is unusual is told.

The bounds of what is usual are engineering choices, none of them physics: wide, so that an unusual vehicle passes, and
narrow enough that a factor of ten shows (in nearly every figure of the two vehicles in dbc_demo). A doubt refuses
nothing: the check and the night tell it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from herdbook.pipeline.vehicle.chemistry import Chemistry
from herdbook.pipeline.vehicle.figures import DriveFigures, Figures, PackFigures, VehicleFigures
from herdbook.pipeline.vehicle.problems import Findings

# (table, lower, higher): the first must be under the second.
RISING = (
    ("pack", "cell_min_v", "cell_max_v"),
    ("pack", "balance_start_v", "cell_max_v"),
    ("pack", "charge_min_c", "charge_max_c"),
    ("pack", "discharge_min_c", "discharge_max_c"),
    ("pack", "charge_max_c", "temp_stop_c"),
    ("pack", "charge_end_a", "charger_a"),
    ("drive", "winding_derate_c", "winding_max_c"),
    ("drive", "fet_derate_c", "fet_max_c"),
    ("drive", "regen_soc_full_pct", "regen_soc_zero_pct"),
    ("drive", "regen_cell_full_v", "regen_cell_zero_v"),
    ("drive", "regen_cold_zero_c", "regen_cold_full_c"),
    ("drive", "regen_hot_full_c", "regen_hot_zero_c"),
    ("drive", "regen_fade_zero_kmh", "regen_fade_full_kmh"),
)

ANY_CHARGER = 2.0, 4.4  # V a group, of any chemistry
CHARGER = 0.93, 1.05  # of a full group's voltage, of the highest that is borne: gentle charging, a drop in the cable


@dataclass(frozen=True, slots=True)
class Maker:
    """The three tables of figures together."""

    vehicle: VehicleFigures
    pack: PackFigures
    drive: DriveFigures

    def table(self, name: str) -> Figures:
        return {"vehicle": self.vehicle, "pack": self.pack, "drive": self.drive}[name]

    def number(self, key: str) -> float:
        """A figure that the profile itself gives, by "table.key". Raises: KeyError where it does not."""
        table, name = key.split(".")
        found = self.table(table).raw[name]
        assert isinstance(found, int | float)
        return float(found)


@dataclass(frozen=True, slots=True)
class Usual:
    """A quantity that some figures make together, and between which bounds it usually lies. {} in words: its value."""

    keys: tuple[str, ...]  # all must be given; the first is where the doubt is told
    low: float
    high: float
    words: str
    of: Callable[..., float]


def _wheel_push(torque: float, amps: float, gear: float, wheel: float, motors: float, mass: float) -> float:
    return motors * torque * amps * gear / (wheel / 2) / mass


def _ratio(a: float, b: float) -> float:
    return a / b


def _apart(high: float, low: float) -> float:
    return high - low


USUAL = (
    Usual(
        ("pack.charger_a", "pack.rated_ah"), 0.07, 3.0, "the charger gives {} times the rated charge an hour", _ratio
    ),
    Usual(
        ("pack.max_charge_a", "pack.rated_ah"), 0.15, 6.0, "the pack takes {} times its rated charge an hour", _ratio
    ),
    Usual(
        *(("pack.max_discharge_a", "pack.rated_ah"), 0.5, 18.0),
        *("the pack gives {} times its rated charge an hour", _ratio),
    ),
    Usual(
        *(("pack.charge_end_a", "pack.rated_ah"), 0.005, 0.3),
        *("charging ends at {} times the rated charge an hour", _ratio),
    ),
    Usual(
        *(("pack.full_charge_min", "pack.charger_a", "pack.rated_ah"), 0.4, 4.0),
        *("a full charge takes {} times as long as the charger's current needs", lambda m, a, ah: m / (60 * ah / a)),
    ),
    Usual(("pack.charger_v", "pack.cells"), *ANY_CHARGER, "the charger gives {} V a group", _ratio),
    Usual(("pack.pack_max_v", "pack.cells"), 2.5, 5.0, "the highest pack voltage is {} V a group", _ratio),
    Usual(("pack.bleed_ohm",), 5.0, 350.0, "a bleed resistor has {} Ohm", lambda ohm: ohm),
    Usual(
        *(("pack.bleed_ohm", "pack.rated_ah"), 60.0, 8000.0),
        *("bleed resistor x rated charge is {} Ohm Ah, as for another size of pack", lambda ohm, ah: ohm * ah),
    ),
    Usual(("pack.bleed_a",), 0.01, 0.7, "a bleed resistor carries {} A", lambda amps: amps),
    Usual(
        *(("pack.cell_r10s_mohm", "pack.rated_ah"), 15.0, 240.0),
        *("resistance x rated charge of a group is {} mOhm Ah", lambda ohm, ah: ohm * ah),
    ),
    Usual(
        *(("pack.heat_capacity_j_per_k", "pack.cells", "pack.rated_ah"), 6.0, 90.0),
        *("the pack stores {} J/K for each group and Ah", lambda heat, n, ah: heat / (n * ah)),
    ),
    Usual(
        *(("pack.heat_loss_w_per_k", "pack.heat_capacity_j_per_k"), 900.0, 20000.0),
        *("the pack cools to a third in {} s", lambda loss, heat: heat / loss),
    ),
    Usual(("pack.cell_r_ea_ev",), 0.1, 0.8, "the resistance has an activation energy of {} eV", lambda ev: ev),
    Usual(("pack.self_discharge_pct_month",), 0.1, 15.0, "the pack loses {} % a month", lambda pct: pct),
    Usual(("vehicle.drag_area_m2",), 0.15, 3.0, "the drag area is {} m2", lambda area: area),
    Usual(("vehicle.rolling",), 0.004, 0.06, "rolling resistance is {} of the weight", lambda share: share),
    Usual(
        *(("drive.motor_w", "drive.motors", "vehicle.mass_kg"), 1.5, 150.0),
        *("the motors give {} W for each kg", lambda w, n, kg: w * n / kg),
    ),
    Usual(
        (
            *("drive.torque_nm_per_a", "drive.max_motor_a", "drive.gear"),
            *("drive.wheel_m", "drive.motors", "vehicle.mass_kg"),
        ),
        *(0.4, 15.0, "the motors push with {} m/s2 at their highest current", _wheel_push),
    ),
    Usual(
        *(("drive.winding_ohm", "drive.max_motor_a", "drive.motor_w"), 0.02, 1.0),
        *("a winding turns {} times its motor's power into heat at the highest current",),
        lambda ohm, amps, w: 1.5 * ohm * amps**2 / w,
    ),
    Usual(
        *(("drive.winding_heat_loss_w_per_k", "drive.winding_heat_capacity_j_per_k"), 60.0, 3600.0),
        *("a winding cools to a third in {} s", lambda loss, heat: heat / loss),
    ),
    Usual(("drive.regen_max_a", "pack.max_charge_a"), 0.1, 3.0, "braking gives {} times the charge limit", _ratio),
    Usual(
        *(("drive.dc_link_max_v", "pack.cells", "pack.cell_max_v"), 1.0, 2.5),
        *("the DC link bears {} times the full pack's voltage", lambda v, n, cell: v / (n * cell)),
    ),
    Usual(
        *(("drive.regen_fade_full_kmh", "vehicle.top_speed_kmh"), 0.02, 0.7),
        *("the electric brake fades out under {} of the top speed", _ratio),
    ),
    Usual(
        *(("drive.regen_soc_zero_pct", "drive.regen_soc_full_pct"), 0.5, 50.0),
        *("the brake tapers off over {} % of charge", _apart),
    ),
    Usual(
        *(("drive.regen_cold_full_c", "drive.regen_cold_zero_c"), 1.0, 30.0),
        *("in the cold the brake tapers off over {} K", _apart),
    ),
    Usual(
        *(("drive.regen_hot_zero_c", "drive.regen_hot_full_c"), 1.0, 40.0),
        *("in the heat the brake tapers off over {} K", _apart),
    ),
    Usual(
        *(("drive.regen_fade_zero_kmh", "drive.regen_fade_full_kmh"), 0.1, 0.95),
        *("the brake is gone at {} of the speed at which it begins to fade", _ratio),
    ),
    Usual(
        *(("pack.charge_min_c", "pack.discharge_min_c"), 5.0, 60.0),
        *("the pack may be used {} K colder than it may be charged", _apart),
    ),
    Usual(("pack.charge_max_c", "pack.charge_min_c"), 20.0, 90.0, "charging is allowed over a range of {} K", _apart),
    Usual(("pack.discharge_max_c", "pack.discharge_min_c"), 50.0, 130.0, "use is allowed over a range of {} K", _apart),
    Usual(
        ("pack.balance_spread_v",), 0.001, 0.03, "groups are balanced from {} V above the lowest", lambda volts: volts
    ),
    Usual(("drive.pole_pairs",), 2.0, 40.0, "a motor has {} pole pairs", lambda pairs: pairs),
    Usual(("drive.trigger_timeout_ms",), 40.0, 1500.0, "torque may stay for {} ms after release", lambda ms: ms),
    Usual(("drive.brake_response_ms",), 25.0, 1500.0, "the brake answers after {} ms", lambda ms: ms),
)


def check_together(maker: Maker, chemistry: Chemistry | None, found: Findings) -> None:
    """chemistry: of the pack; None where it is not known."""
    for table, low, high in RISING:
        figures = maker.table(table)
        if figures.given(low, high) and not _of(figures, low) < _of(figures, high):
            said = f"[{table}] {low} = {_of(figures, low):g} is not under {high} = {_of(figures, high):g}"
            found.wrong((table, low), said, "Correct one of them; the lower is written first here")
    for kind in ("soc", "cell", "cold", "hot", "fade"):
        _both(maker.drive, kind, found)
    if chemistry is not None:
        _cell_limits(maker.pack, chemistry, found)
        _charger(maker.pack, chemistry, found)
    for usual in USUAL:
        try:
            value = usual.of(*(maker.number(key) for key in usual.keys))
        except (KeyError, ZeroDivisionError):
            continue
        if not usual.low <= value <= usual.high:
            table, key = usual.keys[0].split(".")
            others = " and ".join(f"[{k.replace('.', '] ')}" for k in usual.keys)
            bounds = f"usual is {usual.low:g} to {usual.high:g}"
            found.doubt((table, key), f"{usual.words.format(_short(value))}; {bounds}", f"Look at {others}")


def _both(drive: DriveFigures, kind: str, found: Findings) -> None:
    """The two ends of a taper of the electric brake belong together: one of them alone is not used."""
    given = [key for key in drive.raw if key.startswith(f"regen_{kind}_") and ("_full_" in key or "_zero_" in key)]
    if len(given) == 1:
        (one,) = given
        other = one.replace("_full_", "_zero_") if "_full_" in one else one.replace("_zero_", "_full_")
        found.doubt(("drive", one), f"[drive] {one} is given without {other}: neither is used", f"Write {other} too")


def _cell_limits(pack: PackFigures, chemistry: Chemistry, found: Findings) -> None:
    """A maker's limit of a group must be one that such a cell can have."""
    do = f"Correct it, or the chemistry: {chemistry.name} is what its voltages are read by"
    if pack.cell_max_v is not None:
        low, high = chemistry.full_v, chemistry.cell_max_v + chemistry.over_v
        if not low <= pack.cell_max_v <= high:
            said = (
                f"[pack] cell_max_v = {pack.cell_max_v:g} cannot be a limit of {chemistry.name}, {low:g} to {high:g} V"
            )
            found.wrong(("pack", "cell_max_v"), said, do)
    if pack.cell_min_v is not None:
        low, high = chemistry.deep_v, chemistry.plateau_v[0]
        if not low <= pack.cell_min_v <= high:
            said = (
                f"[pack] cell_min_v = {pack.cell_min_v:g} cannot be a limit of {chemistry.name}, {low:g} to {high:g} V"
            )
            found.wrong(("pack", "cell_min_v"), said, do)


def _charger(pack: PackFigures, chemistry: Chemistry, found: Findings) -> None:
    """A charger gives each group about what such a cell is full at."""
    if not pack.given("charger_v", "cells"):
        return
    each = _of(pack, "charger_v") / pack.groups
    borne = chemistry.cell_max_v + chemistry.over_v
    expected = CHARGER[0] * chemistry.full_v <= each <= CHARGER[1] * borne
    if ANY_CHARGER[0] <= each <= ANY_CHARGER[1] and not expected:  # beyond those USUAL tells it
        what = f"the charger gives {each:.3g} V a group; {chemistry.name} is full at {chemistry.full_v:.3g} V and may "
        what += f"be damaged from {borne:.3g} V on"
        found.doubt(("pack", "charger_v"), what, "Look at [pack] chemistry, charger_v and cells")


def _of(figures: Figures, key: str) -> float:
    return float(figures.raw[key])  # type: ignore[arg-type]


def _short(value: float) -> str:
    return f"{value:.3g}" if math.isfinite(value) else "no number"
