"""What moving costs: rolling resistance from coasting and from driving, and energy per kilometre.

Force balance second by second with the brake released: motor force - m a - air drag = m g (rolling + grade).
The grade is not observed: it averages out over coast-downs and over round trips, and its scatter is in the
error.
"""

from __future__ import annotations

import math

import numpy as np

from pipeline.metrics._travel import Travel, travel
from pipeline.metrics.model import Metric, MetricSet, Outcome, Session
from pipeline.metrics.pack_energy import GAIN, ZERO_A
from pipeline.profile import Profile
from pipeline.science.road import GRAVITY, TURNING, air_force, motor_force, vehicle
from pipeline.science.stretches import Bools, Floats, held_s
from pipeline.signals import Signals

LEAST_MS = 2.0
COAST_A = 1.5
STREET_M = 120.0  # over this the grade stays alike; engineering choice
LEAST_M = 300.0


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    ride = travel(session, signals)
    metrics = _rolling(ride, profile)
    metrics += _energy(signals, ride)
    return Outcome(tuple(metrics))


def _rolling(ride: Travel, profile: Profile) -> list[Metric]:
    car = vehicle(profile.vehicle, profile.drive)
    if not car.known:
        return []
    force = motor_force(car, ride.amps["left"] + ride.amps["right"])
    moving = TURNING * car.mass_kg * ride.acceleration
    per_weight = (force - moving - air_force(car, ride.speed)) / (car.mass_kg * GRAVITY)
    with np.errstate(invalid="ignore"):
        free = (ride.speed > LEAST_MS) & ~(ride.brake > 0) & np.isfinite(per_weight)
        free[1:] &= ~(ride.brake[:-1] > 0)
        free[:-1] &= ~(ride.brake[1:] > 0)
        coast = free & (np.abs(ride.amps["left"]) < COAST_A) & (np.abs(ride.amps["right"]) < COAST_A)
    return _mean("coast_rolling", per_weight, coast, ride, 60.0) + _mean(
        "travel_rolling", per_weight, free, ride, LEAST_M
    )


def _mean(name: str, value: Floats, where: Bools, ride: Travel,
          least_m: float) -> list[Metric]:  # fmt: skip
    metres = float(ride.metres[where].sum())
    if metres < least_m:
        return []
    weights = ride.metres[where] / metres
    mean = float(weights @ value[where])
    spread = math.sqrt(float(weights @ (value[where] - mean) ** 2))
    se = spread / math.sqrt(max(metres / STREET_M, 1.0))
    return [Metric(name, mean, "1", se, int(where.sum()))]


def _energy(signals: Signals, ride: Travel) -> list[Metric]:
    s = signals.series("pack_current")
    km = float(ride.metres.sum()) / 1000.0
    if len(s) < 10 or km < LEAST_M / 1000.0:
        return []
    watts = s.v * signals.at(s.t, "pack_voltage", hold_s=1.0)
    dt = held_s(s.t, 2.0)
    known = np.isfinite(watts)
    covered = float(dt[known].sum()) / max((signals.end - signals.start) / 1e6, 1e-9)
    if covered < 0.95:
        return []
    out = float((np.clip(watts, 0, None) * dt)[known].sum()) / 3600.0
    back = float((np.clip(-watts, 0, None) * dt)[known].sum()) / 3600.0
    # the sensor's zero error moves what leaves and what returns, each for as long as it flows
    volts = signals.series("pack_voltage").v
    zero_wh = ZERO_A * float(np.nanmean(volts)) / 3600.0
    out_se, back_se = (
        math.hypot(GAIN * wh, zero_wh * float(dt[known & way].sum()))
        for wh, way in ((out, watts > 0), (back, watts < 0))
    )
    share = back / out if out > 0 else 0.0
    share_se = math.hypot(back_se, share * out_se) / out if out > 0 else None
    rest = int(known.sum()), min(covered, 1.0)
    return [
        Metric("consumption_wh_km", (out - back) / km, "Wh/km", math.hypot(out_se, back_se) / km, *rest),
        Metric("regen_wh_km", back / km, "Wh/km", back_se / km, *rest),
        Metric("regen_share", share, "1", share_se, *rest),
    ]


SET = MetricSet(
    id="resistance",
    needs=("vehicle_speed",),
    kinds=("ride",),
    compute=compute,
    gives={
        "coast_rolling": ("1", "Rolling resistance over weight while coasting; grade not observed."),
        "travel_rolling": (
            "1",
            "Rolling resistance over weight from all travel without brake; grade not observed.",
        ),
        "consumption_wh_km": ("Wh/km", "Energy out of the pack less energy given back, per kilometre."),
        "regen_wh_km": ("Wh/km", "Energy given back to the pack, per kilometre."),
        "regen_share": ("1", "Energy given back over energy taken out."),
    },
    source="force balance, as in pipeline/science/road.py; errors of the current sensor as for pack_energy",
)
