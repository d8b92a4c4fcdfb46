"""What a maker's firmware does: limits of the BMS, the controller's brake and derating, balancing. Drawn figures only;
the behaviour is in physics/firmware.py."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

TAPER, STEPS, CUT = "taper", "steps", "cut"


@dataclass(frozen=True, slots=True)
class Firmware:
    """Pairs are (full current, none). shape: how the charge limit falls between them: in a line, in steps of a quarter,
    or at once with a hysteresis. cell_top_v, cell_low_v: hard limits, fault bits beyond. brake_by_pack: the charge
    limit of the BMS falls with the reported charge too; else the controller has a taper of its own for that."""

    shape: str
    max_charge_a: float
    max_discharge_a: float
    cell_top_v: float
    cell_low_v: float
    top_v: tuple[float, float]
    cold_c: tuple[float, float]
    hot_c: tuple[float, float]
    full_pct: tuple[float, float]
    low_v: tuple[float, float]
    low_pct: tuple[float, float]  # discharge by reported charge; (0, -1): not limited by it
    smooth_s: float
    charge_cold: bool  # charges below freezing all the same
    brake_by_pack: bool
    regen_max_a: float
    brake_share: float  # of the wish is ever given
    fade_kmh: tuple[float, float]
    brake_lag_s: float
    coast_brake: float  # share of the brake on a released throttle
    ramp_a_s: float  # torque current follows no faster
    map_power: float  # torque = throttle to this power
    timeout_ms: float
    winding_c: tuple[float, float]
    stage_c: tuple[float, float]
    link_max_v: float
    balance: str  # "charge" only, "rest" too, or "none"
    balance_v: float
    balance_spread_v: float
    bleed_a: float
    soc_anchor: bool  # reported charge set to 100 at the end of a full charge


def draw_firmware(rng: np.random.Generator, ah: float, groups: int) -> Firmware:
    top = float(rng.choice([3.60, 3.65, 3.65, 3.70]))
    high = float(rng.uniform(3.38, 3.50))
    cold = float(rng.uniform(-2.0, 5.0))
    hot = float(rng.uniform(45.0, 55.0))
    winding, stage = float(rng.uniform(90.0, 130.0)), float(rng.uniform(65.0, 90.0))
    full = float(rng.uniform(85.0, 98.0))
    low = float(rng.uniform(2.75, 3.0))
    by_charge = rng.random() < 0.5
    regen = ah * float(rng.uniform(0.7, 2.0))
    return Firmware(
        shape=str(rng.choice([TAPER, TAPER, STEPS, CUT])),
        max_charge_a=round(max(0.75 * ah, regen * float(rng.uniform(0.9, 1.3))), 1),
        max_discharge_a=round(ah * 4.6, 1),
        cell_top_v=top,
        cell_low_v=float(rng.choice([2.3, 2.5, 2.5, 2.6])),
        top_v=(high, min(top - 0.01, high + float(rng.uniform(0.05, 0.2)))),
        cold_c=(cold + float(rng.uniform(2.0, 10.0)), cold),
        hot_c=(hot, hot + float(rng.uniform(4.0, 12.0))),
        full_pct=(full, min(100.0, full + float(rng.uniform(1.0, 8.0)))),
        low_v=(low, low - float(rng.uniform(0.15, 0.35))),
        low_pct=(float(rng.uniform(8.0, 18.0)), 1.0) if by_charge else (0.0, -1.0),
        smooth_s=float(rng.uniform(0.5, 8.0)),
        charge_cold=bool(rng.random() < 0.2),
        brake_by_pack=bool(rng.random() < 0.6),
        regen_max_a=round(regen, 1),
        brake_share=0.8 if rng.random() < 0.1 else 1.0,
        fade_kmh=(f := float(rng.uniform(3.5, 8.0)), f * float(rng.uniform(0.3, 0.7))),
        brake_lag_s=float(rng.uniform(0.02, 0.12)),
        coast_brake=float(rng.uniform(0.05, 0.2)) if rng.random() < 0.2 else 0.0,
        ramp_a_s=float(rng.choice([60.0, 120.0, 300.0, 1000.0])),
        map_power=float(rng.uniform(0.8, 1.6)),
        timeout_ms=float(rng.choice([150.0, 250.0, 400.0, 500.0])),
        winding_c=(winding, winding + float(rng.uniform(10.0, 30.0))),
        stage_c=(stage, stage + float(rng.uniform(8.0, 20.0))),
        link_max_v=round(groups * float(rng.uniform(3.95, 4.4)), 1),
        balance=str(rng.choice(["charge", "rest", "none"], p=[0.65, 0.25, 0.10])),
        balance_v=float(rng.uniform(3.33, 3.48)),
        balance_spread_v=float(rng.choice([0.003, 0.005, 0.01, 0.02])),
        bleed_a=float(rng.uniform(0.03, 0.16)) * max(1.0, ah / 30.0),
        soc_anchor=bool(rng.random() < 0.85),
    )
