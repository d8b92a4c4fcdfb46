"""Faults of the makers' vehicles: kinds, sizes, and why a technician acts from there on.

The sizes were fixed before any rule was changed for this campaign and do not look at any limit of a rule; README.md
prints the table. Sizes are shares of the design where the same harm needs it (a leak in per cent of the pack a day, a
joint in shares of the pack's own resistance). What a word about a fault must say to be right is in demo_logs/causes.py,
shared with the first campaign.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_logs.makers.design import Design

Floats = NDArray[np.float64]
RIDE, CHARGE, REST = "ride", "charge", "rest"


@dataclass(frozen=True, slots=True)
class Kind:
    """of: what it belongs to ("cell", "sensor", "side" or ""). sizes: the smallest is one a technician acts on, by
    `reason`. shows: session kinds in which it shows. needs: roles without which nobody could see it. grows: may come
    slowly. fastest_ms: a message period above which it falls between samples."""

    of: str
    unit: str
    sizes: tuple[float, ...]
    reason: str
    shows: tuple[str, ...] = (RIDE,)
    needs: tuple[str, ...] = ()
    grows: bool = False
    fastest_ms: float = 1e9
    fits: Callable[[Design], bool] = lambda design: True
    stop_use: bool = False


def _two(design: Design) -> bool:
    return design.drive.motors == 2


_BOTH = (RIDE, CHARGE)
_BRAKE = ("brake_demand", "regen_current")
KINDS: dict[str, Kind] = {
    "weak_group": Kind(
        "cell",
        "times",
        (1.5, 2.0, 3.0),
        "half as much again: the pack's power is this group's",
        _BOTH,
        ("cell_voltage",),
        True,
    ),
    "imbalance": Kind(
        "cell",
        "%",
        (5.0, 8.0, 14.0),
        "a twentieth of the range is gone and a balancer needs days",
        _BOTH,
        ("cell_voltage",),
    ),
    "leaking_group": Kind(
        "cell",
        "%/day",
        (0.35, 0.7, 1.5),
        "a tenth a month, far above a sound cell's own discharge: a soft short",
        _BOTH,
        ("cell_voltage",),
    ),
    "loose_sense_wire": Kind(
        "cell",
        "mV",
        (60.0, 110.0, 220.0),
        "jumps no cell can make; balancing and limits go by them",
        _BOTH,
        ("cell_voltage",),
        fits=lambda d: d.sensors.cell_step_v < 0.008,
    ),
    "low_capacity": Kind(
        "cell",
        "%",
        (12.0, 18.0, 28.0),
        "under 88 % of its siblings the pack is short by as much",
        _BOTH,
        ("cell_voltage",),
        True,
    ),
    "balancer_stuck": Kind(
        "cell",
        "on",
        (1.0,),
        "empties its group for ever",
        _BOTH,
        ("cell_voltage",),
        fits=lambda d: d.firmware.balance != "none",
    ),
    "worn_pack": Kind(
        "", "%", (25.0, 32.0, 40.0), "past the usual end of life of 80 % with room for doubt", _BOTH, ("pack_current",)
    ),
    "current_offset": Kind(
        "",
        "A/Ah",
        (0.03, 0.05, 0.09),
        "the count of charge is wrong by a tenth within some hours",
        (RIDE, CHARGE, REST),
        ("pack_current",),
    ),
    "hot_for_load": Kind(
        "sensor",
        "of pack ohm",
        (0.35, 0.7, 1.2),
        "a joint that takes a third of the pack's own loss in one spot burns on",
        _BOTH,
        ("cell_temp",),
        fits=lambda d: d.pack.sensors > 1,
    ),
    "rising_without_load": Kind(
        "sensor",
        "K",
        (12.0, 20.0, 32.0),
        "heat that no current explains",
        (RIDE, CHARGE, REST),
        ("cell_temp",),
        stop_use=True,
    ),
    "temp_open": Kind("sensor", "on", (1.0,), "no protection of these groups", _BOTH, ("cell_temp",)),
    "temp_short": Kind("sensor", "on", (1.0,), "no protection of these groups", _BOTH, ("cell_temp",)),
    "temp_frozen": Kind("sensor", "on", (1.0,), "no protection of these groups", _BOTH, ("cell_temp",)),
    "temp_offset": Kind(
        "sensor",
        "K",
        (8.0, 12.0, 20.0),
        "limits of the BMS work on the wrong temperature",
        _BOTH,
        ("cell_temp",),
        fits=lambda d: d.pack.sensors > 1,
    ),
    "winding_hot": Kind(
        "side",
        "times",
        (2.5, 3.5, 5.0),
        "partly shorted or no longer cooled: insulation ages by the half every 10 K",
        (RIDE,),
        ("motor_temp",),
        fits=_two,
    ),
    "charger_stops_early": Kind(
        "", "%", (88.0, 80.0, 70.0), "an eighth of the range is gone and nothing balances", (CHARGE,), ("pack_soc",)
    ),
    "regen_refused_unexplained": Kind(
        "",
        "share",
        (0.4, 0.7, 1.0),
        "two brakings of five do nothing, and no state explains it",
        (RIDE,),
        _BRAKE,
        fastest_ms=500.0,
    ),
    "regen_weak": Kind(
        "", "share", (0.35, 0.5, 0.7), "a third of the brake is missing", (RIDE,), _BRAKE, fastest_ms=500.0
    ),
    "regen_late": Kind(
        "",
        "ms",
        (350.0, 550.0, 900.0),
        "beyond the 0.36 s that braking rules allow a system",
        (RIDE,),
        _BRAKE,
        fastest_ms=100.0,
    ),
    "regen_one_sided": Kind(
        "side",
        "share",
        (0.4, 0.7, 1.0),
        "pulls to one side",
        (RIDE,),
        ("brake_demand", "motor_current"),
        fastest_ms=500.0,
        fits=_two,
    ),
    "regen_dropout": Kind(
        "", "share", (0.3, 0.6, 0.9), "a brake that lets go", (RIDE,), _BRAKE, fastest_ms=250.0, stop_use=True
    ),
    "regen_overvoltage": Kind(
        "",
        "% of nominal",
        (18.0, 26.0, 36.0),
        "power stages fail",
        (RIDE,),
        ("dc_link_voltage", "brake_demand"),
        fastest_ms=500.0,
    ),
    "torque_after_release": Kind(
        "",
        "ms",
        (900.0, 1500.0, 2600.0),
        "drives on by itself",
        (RIDE,),
        ("trigger", "motor_current"),
        fastest_ms=250.0,
        stop_use=True,
    ),
    "belt_slip": Kind(
        "side",
        "%",
        (7.0, 12.0, 24.0),
        "a belt that slips at full torque lets go soon",
        (RIDE,),
        ("motor_speed", "vehicle_speed", "motor_current"),
        fits=lambda d: d.drive.belt < 1.0,
    ),
    "encoder_dropout": Kind(
        "side",
        "1/h",
        (25.0, 60.0, 150.0),
        "torque jerks every few minutes",
        (RIDE,),
        ("motor_speed", "vehicle_speed"),
        fastest_ms=120.0,
    ),
    "link_loss": Kind(
        "",
        "1/h",
        (25.0, 60.0, 150.0),
        "the command is lost every few minutes",
        (RIDE,),
        ("packet_age",),
        fastest_ms=500.0,
    ),
    "controller_resets": Kind(
        "", "1/h", (8.0, 16.0, 40.0), "drive and brake go every few minutes", (RIDE,), ("controller_uptime",)
    ),
    "rolling_drag": Kind(
        "",
        "times",
        (2.5, 3.5, 5.0),
        "a dragging brake or a flat tyre: heat and range",
        (RIDE,),
        ("vehicle_speed", "motor_current"),
    ),
    "open_sense_wire": Kind("cell", "on", (1.0,), "two groups without protection", _BOTH, ("cell_voltage",)),
    "contactor_opens": Kind(
        "", "1/h", (10.0, 25.0, 60.0), "drive and brake go while riding", (RIDE,), ("pack_current",), fastest_ms=1100.0
    ),
    "pack_voltage_gain": Kind(
        "", "%", (2.5, 4.0, 6.0), "the charger ends by this reading", _BOTH, ("pack_voltage", "cell_voltage")
    ),
    "soc_count": Kind(
        "", "%", (18.0, 26.0, 40.0), "a fifth of the shown range does not exist", _BOTH, ("pack_soc", "cell_voltage")
    ),
    "parked_empty": Kind(
        "",
        "days",
        (21.0,),
        "three weeks near empty: own discharge takes it below its limit",
        (REST,),
        ("cell_voltage",),
    ),
}
STOP_USE = frozenset(name for name, kind in KINDS.items() if kind.stop_use)


@dataclass(frozen=True, slots=True)
class Fault:
    """size in the unit of its kind. onset: microseconds UTC. item: index from 1, "left", "right" or ""."""

    name: str
    size: float
    onset: int
    item: int | str = ""
    grow_days: float = 0.0

    def share(self, t: int) -> float:
        if t < self.onset:
            return 0.0
        return 1.0 if self.grow_days <= 0 else min(1.0, (t - self.onset) / (self.grow_days * 86_400e6))

    def at(self, t: int) -> float:
        """Size at t; 0, or 1 for multiplying kinds, before onset."""
        neutral = 1.0 if KINDS[self.name].unit == "times" else 0.0
        return neutral + self.share(t) * (self.size - neutral)


def visible(name: str, design: Design, periods_ms: dict[str, float]) -> bool:
    """Whether this design's bus carries what anybody needs to see the fault, often enough. periods_ms: of each role."""
    kind = KINDS[name]
    carried = all(role in periods_ms for role in kind.needs)
    return carried and kind.fits(design) and all(periods_ms[r] <= kind.fastest_ms for r in kind.needs)


class Now:
    """Sizes of every fault of some vehicles at one moment each."""

    def __init__(self, faults: list[tuple[Fault, ...]], at: list[int]) -> None:
        self.pairs = list(zip(faults, at, strict=True))

    def _blank(self, name: str, items: int) -> Floats:
        return np.full((len(self.pairs), items), 1.0 if KINDS[name].unit == "times" else 0.0)

    def plain(self, name: str) -> Floats:
        """(vehicles,)"""
        out = self._blank(name, 1)[:, 0]
        for row, (faults, t) in enumerate(self.pairs):
            for fault in faults:
                if fault.name == name:
                    out[row] = fault.at(t)
        return out

    def items(self, name: str, count: int) -> Floats:
        """(vehicles, count) by cell, sensor or side."""
        out = self._blank(name, count)
        for row, (faults, t) in enumerate(self.pairs):
            for fault in faults:
                if fault.name == name:
                    index = ("left", "right").index(str(fault.item)) if isinstance(fault.item, str) else fault.item - 1
                    out[row, index] = fault.at(t)
        return out

    def any(self, name: str) -> bool:
        return any(f.name == name and f.share(t) > 0 for faults, t in self.pairs for f in faults)
