"""Both motors and their power stages: torque current with its lag, power at the DC link, warm-up, derating.

Arrays are (vehicles, 2): left, right. Torque current is positive while driving. Copper loss is 1.5 * R * iq^2
(amplitude-invariant transformation), R rising with temperature by 0.393 %/K from 20 degC (annealed copper, IEC 60028).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_logs.simulator.pack import ramp
from demo_logs.simulator.spec import Maker, Vehicle

Floats = NDArray[np.float64]
COPPER_PER_K = 0.00393
LAG_S = 0.06  # torque current follows its command (engineering choice)
STAGE_J_PER_K, STAGE_W_PER_K = 90.0, 0.9  # power stage and its heat sink (engineering choice)
STAGE_OHM, STAGE_V = 0.004, 0.25  # conduction and switching loss of one power stage (engineering choice)
IRON_W_S, IRON_W_S2 = 0.02, 1.2e-4  # iron and bearing loss a rad/s and a (rad/s)^2 (engineering choice)


@dataclass(slots=True)
class Motors:
    """State of both motors of a batch of vehicles."""

    maker: Maker
    constant: Floats  # Nm/A of each motor
    built_ohm: Floats  # winding resistance at 20 degC as built
    ohm20: Floats  # the same now
    cooling: Floats  # factor on the winding's heat loss
    iq: Floats
    winding_c: Floats
    stage_c: Floats

    def follow(self, command: Floats, dt: float) -> None:
        """Torque current towards its command."""
        self.iq = self.iq + (command - self.iq) * (1.0 - np.exp(-dt / LAG_S))

    def losses(self, iq: Floats, omega: Floats) -> tuple[Floats, Floats, Floats]:
        """Copper, power stage and iron loss [W]."""
        ohm = self.ohm20 * (1.0 + COPPER_PER_K * (self.winding_c - 20.0))
        copper = 1.5 * ohm * iq * iq
        stage = 1.5 * STAGE_OHM * iq * iq + STAGE_V * np.abs(iq)
        speed = np.abs(omega)
        return copper, stage, IRON_W_S * speed + IRON_W_S2 * speed * speed

    def power(self, iq: Floats, omega: Floats) -> Floats:
        """Power taken at the DC link [W]; negative while braking feeds it. A motor at rest and off takes none."""
        copper, stage, iron = self.losses(iq, omega)
        return np.asarray(self.constant * iq * omega + copper + stage + np.where(np.abs(iq) > 0.3, iron, 0.0))

    def brake_for(self, watts: Floats, omega: Floats) -> Floats:
        """Torque current (<= 0) that feeds `watts` (>= 0) a motor into the link; the most it can where that is less."""
        ohm = self.ohm20 * (1.0 + COPPER_PER_K * (self.winding_c - 20.0)) + STAGE_OHM
        speed = np.abs(omega)
        b = self.constant * omega - STAGE_V
        c = watts + IRON_W_S * speed + IRON_W_S2 * speed * speed
        root = b * b - 6.0 * ohm * c
        return np.asarray(np.minimum((np.sqrt(np.maximum(root, 0.0)) - b) / (3.0 * ohm), 0.0))

    def warm(self, omega: Floats, air_c: Floats, dt: float) -> None:
        """Windings and power stages after dt seconds. The iron's loss warms the winding too."""
        copper, stage, iron = self.losses(self.iq, omega)
        drive = self.maker.drive
        loss = drive["winding_heat_loss_w_per_k"] * self.cooling * (1.0 + np.abs(omega) / 400.0)
        out = loss * (self.winding_c - air_c[:, None])
        self.winding_c = self.winding_c + (copper + iron - out) * dt / drive["winding_heat_capacity_j_per_k"]
        out = STAGE_W_PER_K * (self.stage_c - air_c[:, None])
        self.stage_c = self.stage_c + (stage - out) * dt / STAGE_J_PER_K

    def allowed(self) -> Floats:
        """Share of torque each vehicle's controller allows, 0..1, by the hottest winding and power stage."""
        drive = self.maker.drive
        winding = ramp(self.winding_c.max(axis=1), drive["winding_max_c"], drive["winding_derate_c"])
        stage = ramp(self.stage_c.max(axis=1), drive["fet_max_c"], drive["fet_derate_c"])
        return np.minimum(winding, stage)

    def cool(self, air_c: Floats, hours: Floats) -> None:
        """After a stretch of standing still."""
        keep = np.exp(-hours / 0.15)[:, None]
        self.winding_c = air_c[:, None] + (self.winding_c - air_c[:, None]) * keep
        self.stage_c = air_c[:, None] + (self.stage_c - air_c[:, None]) * keep


def new_motors(maker: Maker, vehicles: list[Vehicle], rng: np.random.Generator) -> Motors:
    """Motors as built: torque constant within 1 %, resistance within 2 %."""
    shape = (len(vehicles), 2)
    constant = maker.drive["torque_nm_per_a"] * (1.0 + rng.normal(0.0, 0.007, shape))
    ohm = maker.drive["winding_ohm"] * (1.0 + rng.normal(0.0, 0.015, shape))
    zero = np.zeros(shape)
    return Motors(maker, constant, ohm, ohm.copy(), zero + 1.0, zero, zero + 20.0, zero + 20.0)
