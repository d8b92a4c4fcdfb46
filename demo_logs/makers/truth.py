"""What is true about a vehicle besides its faults: consequences and states that its logged sessions truly held.

A word about them is no false word. They come from the state of the physics, never from what sensors or rules say."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from demo_logs.makers.faults import CHARGE, RIDE
from demo_logs.makers.vehicle import Vehicle
from demo_logs.makers.world import Seen

LIMITED, REFUSED = 2, 3
UNEVEN = 0.04  # of the capacity apart from its siblings: to say so is true
SOC_OFF_PCT = 10.0
ZERO_SHARE = 0.015  # zero error of the current sensor, of rated A
SPENT = 0.88  # of the rating: to say that the pack holds little is true
HOT_C = 50.0
DERATED = 0.02


@dataclass
class Truth:
    """words: (rule, item) that would be true; item "" stands for any. logged: starts of logged sessions by kind."""

    words: set[tuple[str, str]] = field(default_factory=set)
    logged: dict[str, list[int]] = field(default_factory=dict)

    def add(self, rule: str, when: bool, item: str = "") -> None:
        if when:
            self.words.add((rule, item))

    def see(self, vehicle: Vehicle, seen: Seen) -> None:
        """One logged session."""
        design, trace, row = vehicle.design, seen.trace, seen.row
        self.logged.setdefault(seen.event.kind, []).append(seen.event.start)
        facts = {name: value[row] for name, value in trace.facts.items()}
        f, rated = design.firmware, design.cell.rated_ah
        self.add("group_under_voltage", facts["low_v"] < f.cell_low_v)
        self.add("group_over_voltage", facts["top_v"] > f.cell_top_v)
        self.add("bms_fault", facts["bits"] > 0)
        self.add("hot_because_of_load", facts["hot_c"] > HOT_C)
        self.add("soc_off", abs(facts["soc_error_pct"]) > SOC_OFF_PCT)
        soc = facts["soc"][: design.pack.groups]
        for k in np.flatnonzero(np.abs(soc - np.median(soc)) > UNEVEN):
            self.add("out_of_balance", True, str(int(k) + 1))
        if seen.event.kind == CHARGE:
            self.add("cold_charging", facts["cold_ah"] > 0.005 * rated)
        if seen.event.kind == RIDE:
            self._ride(vehicle, seen)

    def _ride(self, vehicle: Vehicle, seen: Seen) -> None:
        f, row = vehicle.design.firmware, seen.row
        tracks = {n: t.data[: int(seen.event.seconds / t.dt), row] for n, t in seen.trace.tracks.items()}
        sides = vehicle.design.drive.motors
        self.add("derating_often", float((tracks["derate"] < 95.0).mean()) > DERATED)
        self.add("power_stage_hot", float(tracks["fet_temp"][:, :sides].max()) > f.stage_c[0])
        self.add("winding_hot", float(tracks["motor_temp"][:, :sides].max()) > f.winding_c[1])
        limited = np.isin(tracks["regen_state"], (LIMITED, REFUSED)).any()
        struck = any(x.name == "regen_refused_unexplained" for x in vehicle.faults)
        self.add("regen_refused_explained", bool(limited) and not struck)
        bits = tracks["motor_fault"][:, :sides].astype(int)
        self.add("controller_faults", bool(bits.any() or tracks["controller_fault"].any()))
        self.add("braking_over_voltage", bool((bits & 4).any()))

    def close(self, vehicle: Vehicle) -> None:
        """What is true of the vehicle as a whole."""
        one, design = vehicle.one, vehicle.design
        self.add("pack_capacity_low", float(one.ah.mean()) * design.cell.built < SPENT)
        self.add("current_sensor_offset", abs(one.zero_a) > ZERO_SHARE * design.cell.rated_ah)
        lossy = vehicle.habits.drop > 0
        for rule in ("data_gaps", "message_faults"):
            self.add(rule, lossy)


def shown_after(truth: Truth, shows: tuple[str, ...], onset: int) -> int:
    """Logged sessions in which a fault could show."""
    return sum(t >= onset for kind in shows for t in truth.logged.get(kind, ()))
