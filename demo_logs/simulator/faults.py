"""Faults by name, onset and size: what can be injected, and their sizes as arrays for a batch of vehicles."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
DAY_US = 86_400_000_000

# name: (what it belongs to, unit of size, what happens)
KINDS: dict[str, tuple[str, str, str]] = {
    "weak_group": ("cell", "times", "resistance of one group multiplied"),
    "imbalance": ("cell", "%", "one group loses this much charge at onset"),
    "leaking_group": ("cell", "mA", "one group discharges itself"),
    "loose_sense_wire": ("cell", "mV", "tap above the group: what it reads high, the next one reads low"),
    "low_capacity": ("cell", "%", "one group holds less; aligned when full"),
    "balancer_stuck": ("cell", "share", "balancing resistor of one group never opens"),
    "worn_pack": ("", "%", "every group holds less"),
    "current_offset": ("", "A", "the pack's current sensor reads this much high"),
    "hot_for_load": ("sensor", "mohm", "bad joint of the pack beside one sensor: heat and voltage drop"),
    "rising_without_load": (
        "sensor",
        "W",
        "electronics beside the sensor heat the pack while awake, feeding on it",
    ),
    "temp_open": ("sensor", "share", "cell sensor sends the no-value code"),
    "temp_short": ("sensor", "share", "cell sensor reads the top of its range"),
    "temp_frozen": ("sensor", "share", "cell sensor keeps one value"),
    "temp_offset": ("sensor", "K", "cell sensor reads this much high"),
    "winding_hot": ("side", "times", "winding resistance of one motor multiplied, cooling divided"),
    "charger_stops_early": ("", "%", "the charger ends at this state of charge"),
    "regen_refused_unexplained": ("", "share", "share of brakings refused without a reason"),
    "regen_weak": ("", "share", "share of brake torque missing on both motors"),
    "regen_late": ("", "ms", "brake torque comes this much later"),
    "regen_one_sided": ("side", "share", "share of brake torque missing on one motor"),
    "regen_dropout": ("", "share", "share of brakings in which the torque is lost in the middle"),
    "regen_overvoltage": ("", "V", "DC link rises by this at full regeneration"),
    "torque_after_release": ("", "ms", "drive torque stays on after the trigger is released"),
    "belt_slip": ("side", "%", "belt of one motor slips at full torque"),
    "encoder_dropout": ("side", "1/h", "speed of one motor is lost for moments"),
    "link_loss": ("", "1/h", "remote's packets stay away for moments"),
    "controller_resets": ("", "1/h", "the controller restarts while riding"),
    "rolling_drag": ("", "times", "rolling resistance multiplied"),
    "open_sense_wire": ("cell", "share", "tap above the group is open: it reads nothing, the next one reads both"),
    "contactor_opens": ("", "1/h", "the pack's main switch opens for seconds while current flows"),
    "pack_voltage_gain": ("", "%", "the pack's voltage sensor reads this much high"),
    "soc_count": ("", "%", "the reported charge moves this much less than the true one; right when full"),
    "parked_empty": ("", "days", "left to stand nearly empty for so long; the outings make it so"),
}
BY_OUTINGS = frozenset({"parked_empty"})  # nothing in the vehicle is broken
HARMLESS: dict[str, str] = {
    "heavy_use": "hard rider with a heavy load: hot because of its load",
    "full_pack": "rides away with a full pack: regeneration rightly refused",
    "cold_pack": "rides and brakes below freezing: regeneration rightly refused",
    "poor_logger": "the logger keeps one frame in five, or loses some",
    "slow_rider": "brakes at walking pace: the electric brake fades out",
    "aged_pack": "an old pack, under 85 % of its rated capacity: to say so is true",
}


@dataclass(frozen=True, slots=True)
class Fault:
    """onset: microseconds UTC. grow_days: days from onset until the full size (0 = at once). item: index of
    the group, sensor or side; "" where the kind has none."""

    name: str
    size: float
    onset: int
    item: int | str = ""
    grow_days: float = 0.0

    def __post_init__(self) -> None:
        if self.name not in KINDS:
            raise ValueError(f"fault {self.name!r} is not known; known: {', '.join(sorted(KINDS))}")
        if bool(KINDS[self.name][0]) != (self.item != ""):
            raise ValueError(f"fault {self.name} needs item = {KINDS[self.name][0] or 'nothing'}")

    def share(self, t: int) -> float:
        """How much of the size is there at t: 0..1."""
        if t < self.onset:
            return 0.0
        if self.grow_days <= 0:
            return 1.0
        return min(1.0, (t - self.onset) / (self.grow_days * DAY_US))


def leaked_ah(faults: tuple[Fault, ...], groups: int, before: int, now: int) -> Floats:
    """Charge (groups,) [Ah] that leaking groups lost between two moments."""
    out = np.zeros(groups)
    for fault in faults:
        start = max(before, fault.onset)
        if fault.name == "leaking_group" and isinstance(fault.item, int) and now > start:
            share = 0.5 * (fault.share(start) + fault.share(now))
            out[fault.item - 1] += fault.size / 1000.0 * share * (now - start) / 3.6e9
    return out


@dataclass(frozen=True, slots=True)
class Active:
    """Sizes of every fault of a batch at one moment a vehicle. Multiplying kinds come back as 1 + share *
    (size - 1)."""

    faults: tuple[tuple[Fault, ...], ...]
    at: tuple[int, ...]
    known: dict[tuple[str, int], Floats] = field(default_factory=dict, compare=False)

    def size(self, name: str, items: tuple[int | str, ...] = ("",)) -> Floats:
        """(vehicles, items); 0 (or 1 for multiplying kinds) where the fault is absent."""
        if (name, len(items)) in self.known:
            return self.known[name, len(items)]
        times = KINDS[name][1] == "times"
        out = np.full((len(self.faults), len(items)), 1.0 if times else 0.0)
        for row, (faults, t) in enumerate(zip(self.faults, self.at, strict=True)):
            for fault in faults:
                if fault.name == name:
                    share = fault.share(t)
                    value = 1.0 + share * (fault.size - 1.0) if times else share * fault.size
                    out[row, items.index(fault.item)] = value
        self.known[name, len(items)] = out
        return out

    def scalar(self, name: str) -> Floats:
        """(vehicles,) for kinds without an item."""
        return self.size(name)[:, 0]
