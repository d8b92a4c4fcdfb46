"""The design of one maker, drawn from a seed: cell, pack, drive, firmware, sensors, loggers. Units stand in the names.

A design has no state. What differs from vehicle to vehicle of one design is drawn in vehicle.py.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_logs.makers.curves import draw_curve
from demo_logs.makers.firmware_design import Firmware, draw_firmware

Floats = NDArray[np.float64]
Rng = np.random.Generator
OPEN, ASIDE = "open", "aside"
KG_PER_AH = 0.0215  # of an LFP cell; 0.65 kg at 30 Ah, from memory
FULL_FORCE = 0.95  # of the torque that pack and gear could give is used


@dataclass(frozen=True, slots=True)
class Cell:
    """One group in series. curve_v: open-circuit voltage from empty to full, between the branches. gap_v: charge
    branch less discharge branch at mid charge; gap_low: that many times more of it near empty. turn: share of the
    capacity within which the branch changes. r_mohm: 10 s resistance at 25 degC, mid charge and small current, of which
    ohmic_share at once, the rest kinetic; slow_mohm comes on top, later. bend_c: C rate at which the kinetic part
    begins to flatten."""

    rated_ah: float
    built: float  # capacity as built over the rating
    curve_v: Floats
    gap_v: float
    gap_low: float
    turn: float
    r_mohm: float
    ohmic_share: float
    fast_share: float  # of what is not ohmic
    fast_s: float
    slow_s: float
    slow_mohm: float
    bend_c: float
    ea_ev: float
    ohmic_ea: float  # activation energy of the ohmic part, of ea_ev
    rise_low: float
    rise_width: float
    rise_high: float
    entropy_mv_k: float
    self_discharge_pct_month: float


@dataclass(frozen=True, slots=True)
class Pack:
    """sensors: cell sensors, each beside some groups. heat_j_k, loss_w_k: whole pack. side_w_k: between neighbours.
    ends: how much more the outer groups lose. probe_s: lag of a cell sensor. board_w: the BMS board's own heat."""

    groups: int
    sensors: int
    heat_j_k: float
    loss_w_k: float
    side_w_k: float
    ends: float
    probe_s: float
    joint_mohm: float
    board_w: float
    standby_ma: float


@dataclass(frozen=True, slots=True)
class Drive:
    """One or two motors. voltage_share: of the pack's voltage that the motor's torque voltage takes at top speed."""

    motors: int
    kind: str
    mass_kg: float  # with usual rider and load
    rider_kg: float  # of it
    top_ms: float
    drag_area_m2: float
    rolling: float
    gear: float
    wheel_m: float
    nm_per_a: float
    max_a: float
    brake_a: float  # torque current a motor at full brake demand
    winding_ohm: float
    winding_j_k: float
    winding_w_k: float
    case_j_k: float
    case_w_k: float
    stage_j_k: float
    stage_w_k: float  # stage to its plate
    plate_j_k: float
    plate_w_k: float
    stage_ohm: float
    stage_v: float
    iron_w_s: float
    belt: float
    aux_w: float
    lag_s: float
    pole_pairs: int

    @property
    def turns(self) -> float:
        """Motor rad/s for a metre a second."""
        return self.gear / (self.wheel_m / 2.0)

    @property
    def newton_per_a(self) -> float:
        """Of one motor at the road."""
        return self.nm_per_a * self.turns


@dataclass(frozen=True, slots=True)
class Sensors:
    """Steps in the role's unit, standard deviation of noise, and what a maker's sensors get wrong from vehicle to
    vehicle. spread_*: standard deviation over vehicles. interference: peak of what the inverter couples into the
    measuring wires at full motor current; bursts_h: stretches of it an hour of driving."""

    cell_step_v: float
    volt_step: float
    amp_step: float
    temp_step: float
    cell_noise_v: float
    amp_noise: float
    temp_noise: float
    spread_gain: float
    spread_zero_a: float
    spread_tap_v: float
    spread_temp_k: float
    interference_v: float
    interference_a: float
    interference_k: float
    bursts_h: float
    spikes: float  # share of samples while accelerating


@dataclass(frozen=True, slots=True)
class Charger:
    """kind: cc_cv, taper (the current falls as the voltage rises) or pulsed (rests between pulses)."""

    kind: str
    amps: float
    cell_v: float
    end_a: float


@dataclass(frozen=True, slots=True)
class Design:
    name: str
    seed: int
    index: int
    cell: Cell
    pack: Pack
    drive: Drive
    firmware: Firmware
    sensors: Sensors
    charger: Charger

    @property
    def half(self) -> str:
        return half_of(self.seed, self.index)

    @property
    def nominal_v(self) -> float:
        return 3.25 * self.pack.groups


def half_of(seed: int, index: int) -> str:
    """Which half a design belongs to: even hashes are open for making rules, odd ones are set aside."""
    digest = hashlib.sha256(f"makers {seed} {index}".encode()).digest()
    return OPEN if digest[0] % 2 == 0 else ASIDE


def draw_design(seed: int, index: int) -> Design:
    """The same design for the same two numbers, whatever else is drawn."""
    rng = np.random.default_rng([seed, index, 1])
    groups = int(rng.integers(7, 21))
    ah = round(float(np.exp(rng.uniform(np.log(5.0), np.log(60.0)))), 1)
    cell = _cell(rng, ah)
    pack = _pack(rng, groups, ah)
    firmware = draw_firmware(rng, ah, groups)
    drive = _drive(rng, groups, ah, firmware.regen_max_a)
    charger = _charger(rng, ah)
    return Design(f"mk{index:03d}", seed, index, cell, pack, drive, firmware, _sensors(rng, ah), charger)


def _cell(rng: Rng, ah: float) -> Cell:
    return Cell(
        rated_ah=ah,
        built=float(rng.uniform(0.99, 1.06)),
        curve_v=draw_curve(rng),
        gap_v=float(rng.uniform(0.006, 0.032)),
        gap_low=float(rng.uniform(0.0, 0.8)),
        turn=float(rng.uniform(0.02, 0.09)),
        r_mohm=float(60.0 / ah * rng.uniform(0.6, 1.7)),
        ohmic_share=float(rng.uniform(0.35, 0.75)),
        fast_share=float(rng.uniform(0.5, 0.85)),
        fast_s=float(rng.uniform(1.2, 6.0)),
        slow_s=float(rng.uniform(40.0, 260.0)),
        slow_mohm=float(60.0 / ah * rng.uniform(0.2, 1.0)),
        bend_c=float(rng.uniform(0.4, 4.0)),
        ea_ev=float(rng.uniform(0.2, 0.4)),
        ohmic_ea=float(rng.uniform(0.4, 1.0)),
        rise_low=float(rng.uniform(0.4, 2.0)),
        rise_width=float(rng.uniform(0.03, 0.10)),
        rise_high=float(rng.uniform(0.0, 0.25)),
        entropy_mv_k=float(rng.uniform(-0.25, 0.25)),
        self_discharge_pct_month=float(rng.uniform(0.5, 3.0)),
    )


def _pack(rng: Rng, groups: int, ah: float) -> Pack:
    mass = groups * ah * KG_PER_AH
    return Pack(
        groups=groups,
        sensors=int(rng.integers(1, 7)),
        heat_j_k=mass * float(rng.uniform(950.0, 1500.0)),
        loss_w_k=0.28 * mass ** (2.0 / 3.0) * float(rng.uniform(0.6, 2.0)),
        side_w_k=float(rng.uniform(0.03, 0.10)) * ah ** (2.0 / 3.0),
        ends=float(rng.uniform(1.0, 2.2)),
        probe_s=float(np.exp(rng.uniform(np.log(5.0), np.log(300.0)))),
        joint_mohm=float(rng.uniform(0.5, 4.0)),
        board_w=float(rng.uniform(0.3, 3.0)),
        standby_ma=float(rng.choice([0.005, 0.02, 0.06, 0.15])) * ah,
    )


KINDS = (  # kind, mass with rider [kg], top speed [m/s], drag area [m2], share of two motors
    ("board", (78.0, 100.0), (5.5, 10.0), (0.45, 0.65), 0.7),
    ("scooter", (90.0, 125.0), (5.5, 11.0), (0.5, 0.75), 0.3),
    ("moped", (130.0, 210.0), (8.0, 13.0), (0.55, 0.8), 0.1),
    ("cargo trike", (140.0, 320.0), (5.0, 8.0), (0.8, 1.4), 0.5),
)


def _drive(rng: Rng, groups: int, ah: float, regen_a: float) -> Drive:
    volts = 3.25 * groups
    fits = [k for k in KINDS if k[1][0] < 75.0 + 0.25 * ah * groups]  # a small pack drives a small vehicle
    kind, mass_range, top_range, area, two = fits[int(rng.integers(len(fits)))]
    mass, top = float(rng.uniform(*mass_range)), float(rng.uniform(*top_range))
    motors = 2 if rng.random() < two else 1
    accel = min(float(rng.uniform(1.3, 2.8)), 4.0 * ah * volts * FULL_FORCE / (mass * top))
    while accel < 0.75:  # too weak to climb: slower instead
        top *= 0.85
        accel = min(2.0, 4.0 * ah * volts * FULL_FORCE / (mass * top))
    share = float(rng.uniform(0.5, 0.8))
    max_a = round(mass * accel * top / (share * volts * motors))
    wheel = float(rng.uniform(0.15, 0.60))
    gear = float(rng.uniform(1.0, 10.0))
    constant = share * volts / (top * gear / (wheel / 2.0))
    newton = constant * gear / (wheel / 2.0)
    peak_w = mass * accel * top / motors
    brake_n = min(mass * float(rng.uniform(0.8, 2.2)), float(rng.uniform(0.9, 1.8)) * regen_a * volts / (0.6 * top))
    return Drive(
        motors=motors,
        kind=kind,
        mass_kg=mass,
        rider_kg=75.0,
        top_ms=top,
        drag_area_m2=float(rng.uniform(*area)),
        rolling=float(rng.uniform(0.009, 0.022)),
        gear=gear,
        wheel_m=wheel,
        nm_per_a=constant,
        max_a=float(max_a),
        brake_a=min(0.9 * max_a, brake_n / (motors * newton)),
        winding_ohm=float(rng.uniform(0.06, 0.18)) * peak_w / (1.5 * max_a**2),
        winding_j_k=float(rng.uniform(0.12, 0.4)) * peak_w,
        winding_w_k=float(rng.uniform(0.0015, 0.004)) * peak_w,
        case_j_k=float(rng.uniform(0.6, 1.6)) * peak_w,
        case_w_k=float(rng.uniform(0.0012, 0.003)) * peak_w,
        stage_j_k=float(rng.uniform(0.006, 0.03)) * peak_w,
        stage_w_k=float(rng.uniform(0.0008, 0.003)) * peak_w,
        plate_j_k=float(rng.uniform(0.15, 0.8)) * peak_w,
        plate_w_k=float(rng.uniform(0.001, 0.003)) * peak_w,
        stage_ohm=float(rng.uniform(0.01, 0.03)) * peak_w / (1.5 * max_a**2),
        stage_v=float(rng.uniform(0.1, 0.5)),
        iron_w_s=float(rng.uniform(0.01, 0.05)) * peak_w / (top * gear / (wheel / 2.0)),
        belt=float(rng.choice([0.94, 0.97, 1.0])),
        aux_w=float(rng.uniform(3.0, 30.0)),
        lag_s=float(rng.uniform(0.03, 0.15)),
        pole_pairs=int(rng.integers(4, 24)),
    )


def _sensors(rng: Rng, ah: float) -> Sensors:
    cell_step = float(rng.choice([0.001, 0.001, 0.002, 0.005, 0.010]))
    amp_step = float(rng.choice([0.05, 0.1, 0.1, 0.2, 0.5])) if ah > 12 else float(rng.choice([0.05, 0.1]))
    temp_step = float(rng.choice([0.2, 0.5, 1.0, 1.0, 2.0]))
    loud = rng.random() < 0.3
    return Sensors(
        cell_step_v=cell_step,
        volt_step=float(rng.choice([0.01, 0.05, 0.1])),
        amp_step=amp_step,
        temp_step=temp_step,
        cell_noise_v=float(rng.uniform(0.0005, 0.003)),
        amp_noise=float(rng.uniform(0.3, 1.5)) * max(0.03, 0.002 * ah),
        temp_noise=float(rng.uniform(0.03, 0.25)),
        spread_gain=float(rng.uniform(0.002, 0.01)),
        spread_zero_a=float(rng.uniform(0.0005, 0.003)) * ah,
        spread_tap_v=float(rng.uniform(0.0004, 0.003)),
        spread_temp_k=float(rng.uniform(0.2, 1.5)),
        interference_v=float(rng.uniform(0.003, 0.02)) if loud else 0.0,
        interference_a=float(rng.uniform(0.005, 0.03)) * ah if loud else 0.0,
        interference_k=float(rng.uniform(0.3, 3.0)) if loud else 0.0,
        bursts_h=float(rng.uniform(2.0, 40.0)) if rng.random() < 0.3 else 0.0,
        spikes=float(rng.uniform(1e-4, 1e-3)) if rng.random() < 0.3 else 0.0,
    )


def _charger(rng: Rng, ah: float) -> Charger:
    amps = round(ah * float(rng.uniform(0.12, 0.7)), 1)
    return Charger(
        kind=str(rng.choice(["cc_cv", "cc_cv", "taper", "pulsed"])),
        amps=amps,
        cell_v=float(rng.choice([3.50, 3.55, 3.60, 3.60, 3.65])),
        end_a=round(max(0.1, ah * float(rng.uniform(0.015, 0.06))), 2),
    )
