"""Heat: groups side by side in a pack, their sensors with lag, windings in cases, power stages on a plate.

All explicit steps with dt far below the shortest time constant; after idle time every body has gone towards the air by
its own time constant. Copper: 0.393 %/K from 20 degC (annealed copper, IEC 60028).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from demo_logs.makers.physics.rows import Floats

COPPER_PER_K = 0.00393


@dataclass(slots=True)
class PackHeat:
    """capacity (vehicles, 1) J/K a group; loss (vehicles, groups), side (vehicles, groups - 1) W/K; near (vehicles,
    sensors, groups): what each sensor sees; probe_s (vehicles, 1). State: probe_c, board_c (vehicles,), air_c."""

    capacity: Floats
    loss: Floats
    side: Floats
    near: Floats
    probe_s: Floats
    board_w: Floats
    probe_c: Floats
    board_c: Floats
    air_c: Floats

    def warm(self, temp_c: Floats, heat_w: Floats, dt: float) -> Floats:
        """Group temperatures after dt seconds with this heat in each group."""
        flow = np.diff(temp_c, axis=1) * self.side
        net = heat_w + self.loss * (self.air_c[:, None] - temp_c)
        net[:, :-1] += flow
        net[:, 1:] -= flow
        return np.asarray(temp_c + net * dt / self.capacity)

    def follow(self, temp_c: Floats, bleed_w: Floats, dt: float) -> None:
        """Sensors and the BMS board after dt seconds. bleed_w (vehicles,): what balancing burns on the board."""
        target = np.einsum("vsg,vg->vs", self.near, temp_c)
        self.probe_c = target + (self.probe_c - target) * np.exp(-dt / self.probe_s)
        mean = target.sum(axis=1) / np.maximum(self.near.sum(axis=(1, 2)), 1.0)
        goal = 0.5 * (mean + self.air_c) + 4.0 * (self.board_w + bleed_w)
        self.board_c = goal + (self.board_c - goal) * np.exp(-dt / 240.0)

    def idle(self, temp_c: Floats, hours: Floats) -> Floats:
        """Everything drifts to the air while nothing runs; new group temperatures."""
        tau_h = self.capacity[:, 0] * (self.loss > 0).sum(axis=1) / self.loss.sum(axis=1) / 3600.0
        keep = np.exp(-hours / tau_h)
        air = self.air_c
        self.probe_c = air[:, None] + (self.probe_c - air[:, None]) * keep[:, None]
        self.board_c = air + (self.board_c - air) * np.exp(-hours / 0.2)
        return np.asarray(air[:, None] + (temp_c - air[:, None]) * keep[:, None])


@dataclass(slots=True)
class DriveHeat:
    """Windings, cases, power stages (vehicles, 2), one plate (vehicles,). *_j J/K; *_w W/K to the next body."""

    winding_j: Floats
    winding_w: Floats
    case_j: Floats
    case_w: Floats
    stage_j: Floats
    stage_w: Floats
    plate_j: Floats
    plate_w: Floats
    winding_c: Floats
    case_c: Floats
    stage_c: Floats
    plate_c: Floats

    def warm(self, copper_w: Floats, iron_w: Floats, stage_w: Floats, air_c: Floats, speed: Floats, dt: float) -> None:
        """After dt seconds. speed (vehicles,) m/s: the wind cools cases and plate."""
        wind = (1.0 + 0.12 * speed)[:, None]
        inward = self.winding_w * (self.winding_c - self.case_c)
        outward = self.case_w * wind * (self.case_c - air_c[:, None])
        self.winding_c = self.winding_c + (copper_w - inward) * dt / self.winding_j
        self.case_c = self.case_c + (iron_w + inward - outward) * dt / self.case_j
        down = self.stage_w * (self.stage_c - self.plate_c[:, None])
        off = self.plate_w * wind[:, 0] * (self.plate_c - air_c)
        self.stage_c = self.stage_c + (stage_w - down) * dt / self.stage_j
        self.plate_c = self.plate_c + (down.sum(axis=1) - off) * dt / self.plate_j

    def idle(self, air_c: Floats, hours: Floats) -> None:
        seconds = hours * 3600.0
        slow = np.exp(-seconds[:, None] * self.case_w / self.case_j)
        plate = np.exp(-seconds * self.plate_w / self.plate_j)
        self.case_c = air_c[:, None] + (self.case_c - air_c[:, None]) * slow
        self.winding_c = self.case_c + (self.winding_c - self.case_c) * np.exp(
            -seconds[:, None] * self.winding_w / self.winding_j
        )
        self.plate_c = air_c + (self.plate_c - air_c) * plate
        self.stage_c = self.plate_c[:, None] + (self.stage_c - self.plate_c[:, None]) * np.exp(
            -seconds[:, None] * self.stage_w / self.stage_j
        )


def copper_ohm(ohm20: Floats, winding_c: Floats) -> Floats:
    return np.asarray(ohm20 * (1.0 + COPPER_PER_K * (winding_c - 20.0)))
