"""Energy per km: rolling resistance from coasting and from driving, and energy per kilometre.

Force balance second by second with the brake released: motor force - m a - air drag = m g (rolling + grade).
The grade is not observed: it averages out over coast-downs and over round trips, and its scatter is in the
error. Who brakes down the hills and looks only at what lies between rides uphill for ever: `ride_rolling`
therefore keeps the braked seconds in which the motors alone did the braking, as asked.

What the vehicle weighed with rider and load is read from how it answers to quick changes of force, when the grade is
what it was a moment before: `ride_mass_kg`. How much the resistance then grows with the speed tells the wind from
ahead: `ride_head_wind`. A wheel that drags on one side is not told from the other: both motors get the same command.
"""

from __future__ import annotations

import math

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats
from herdbook.pipeline.metrics.pack_energy import GAIN, ZERO_A
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.heat_grid import bins_of
from herdbook.pipeline.metrics.shared.motors import total_current
from herdbook.pipeline.metrics.shared.road_vehicle import road_vehicle
from herdbook.pipeline.metrics.shared.travel import STEP_S, Travel, travel
from herdbook.pipeline.science.head_wind import head_wind
from herdbook.pipeline.science.meta_analysis import Z95, t95
from herdbook.pipeline.science.road import (
    AIR,
    GRAVITY,
    TURNING,
    Mass,
    RoadVehicle,
    air_force,
    motor_force,
    ridden_mass,
)
from herdbook.pipeline.science.robust_fit import neighbours_alike
from herdbook.pipeline.science.stretches import held_s
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.signals import Signals

LEAST_MS = 2.0
SLOWLY_MS = 1.0  # from here on the wind is looked for: the more the speed differs, the better it shows
COAST_A = 1.5
STREET_M = 120.0  # over this the grade stays alike; engineering choice
LEAST_M = 300.0
# Long hills make neighbouring streets alike, yet what goes up comes down: no ride climbs for ever (engineering choice)
MOST_ALIKE = 0.33
LEAST_PIECES = 5  # streets that show by themselves how alike they are
# What a profile's figures do not know (engineering choices): the wind at a rider's height, the grade of a usual street.
WIND_MS, HILLS = 1.5, 0.02
DOWNHILL = 0.03  # mean grade of what is ridden with the brake, where its own force is not known (engineering choice)
ANSWERED = 0.8  # of the current asked: then no other brake had to help; engineering choice
LEAST_KEPT = 0.5  # of the braked way, or the hills are missing again; engineering choice
# Slower messages of speed and torque current tell a change too late to weigh by; and how well a weight must be known
# to stand in for the profile's (engineering choices).
WEIGHED_S, WEIGHED_SHARE = 0.3, 0.1
STEEPEST = 0.2  # of the weight: what holds back harder is a foot or a wall, no street; engineering choice


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    ride = travel(session, signals, profile)
    metrics = _rolling(ride, signals, profile)
    metrics += _energy(signals, ride, profile.pack_figures.packs)
    return Outcome(tuple(metrics))


def _rolling(ride: Travel, signals: Signals, profile: Profile) -> list[Metric]:
    car = road_vehicle(profile)
    if not car.known:
        return []
    force = motor_force(car, total_current(ride.amps, profile))
    mass = _weighed(ride, signals, force, car)
    known = car.mass_kg if mass is None or mass.se > WEIGHED_SHARE * mass.kg else mass.kg
    moving = TURNING * known * ride.acceleration
    per_weight = (force - moving - air_force(car, ride.speed)) / (car.mass_kg * GRAVITY)
    with np.errstate(invalid="ignore"):
        free = (ride.speed > LEAST_MS) & ~(ride.brake > 0) & np.isfinite(per_weight)
        free[1:] &= ~(ride.brake[:-1] > 0)
        free[:-1] &= ~(ride.brake[1:] > 0)
        coast = free & np.all([np.abs(amps) < COAST_A for amps in ride.amps.values()], axis=0)
        moves = (ride.speed > LEAST_MS) & (np.abs(per_weight) < STEEPEST)
        rolls = (ride.speed > SLOWLY_MS) & ~_beside(ride.brake > 0) & (np.abs(per_weight) < STEEPEST)
        braked, sound = _brakes(ride, signals)
    way = ride.metres
    kept = float(way[moves & braked & sound].sum()) >= LEAST_KEPT * float(way[moves & braked].sum())
    whole = moves & (~braked | sound) & kept
    left_out = 1.0 - float(way[free].sum()) / max(float(way[moves | free].sum()), 1e-9)
    return (
        _mean("coast_rolling", per_weight, coast, ride, 60.0, car)
        + _mean("travel_rolling", per_weight, free, ride, LEAST_M, car, DOWNHILL * left_out)
        + [Metric("braked_way_share", left_out, "1")]
        + _mean("ride_rolling", per_weight, whole, ride, LEAST_M, car)
        + ([] if mass is None else [Metric("ride_mass_kg", mass.kg, "kg", mass.se, mass.changes)])
        + _wind(ride, force, rolls, moves, car)
    )


def _wind(ride: Travel, force: Floats, rolls: Bools, moves: Bools, car: RoadVehicle) -> list[Metric]:
    """The wind from ahead, and what each m/s of it adds to the rolling resistance, over the way."""
    metres = float(ride.metres[moves].sum())
    if metres < LEAST_M:
        return []
    per_ms = AIR * car.drag_area_m2
    adds = per_ms * float(ride.metres[moves] @ ride.speed[moves]) / metres / (car.mass_kg * GRAVITY)
    wind = head_wind(force - air_force(car, ride.speed), ride.speed, ride.acceleration, rolls, per_ms)
    told = [] if wind is None else [Metric("ride_head_wind", wind.ms, "m/s", wind.se, wind.steps)]
    return [Metric("ride_rolling_per_wind", adds, "1"), *told]


def _weighed(ride: Travel, signals: Signals, force: Floats, car: RoadVehicle) -> Mass | None:
    """By changes of force with the brake released."""
    told = [signals.series("vehicle_speed"), *(signals.series("motor_current", motor) for motor in ride.amps)]
    if any(len(s) < 3 or signals.step_us(s) > WEIGHED_S * 1e6 for s in told):
        return None
    with np.errstate(invalid="ignore"):
        free = (ride.speed > LEAST_MS) & ~(ride.brake > 0)
    return ridden_mass(force - air_force(car, ride.speed), ride.acceleration, free, car.mass_kg)


def _brakes(ride: Travel, signals: Signals) -> tuple[Bools, Bools]:
    """(seconds braked or beside such, seconds not beside a braking in which the electric brake gave
    less than was asked)."""
    n = ride.speed.size

    def grid(role: str) -> Floats:
        s = signals.series(role)
        return bins_of(signals, s, ride.start, STEP_S, n).means(s.v)

    asked = grid("regen_demand")
    given = grid("regen_current") if signals.has("regen_current") else np.clip(-grid("pack_current"), 0.0, None)
    on = ride.brake > 0
    # braking by braking: within the second in which one begins, the answer is late by nature
    of = np.cumsum(on & ~np.concatenate(([False], on[:-1])))
    known = on & np.isfinite(asked) & np.isfinite(given) & (ride.speed > LEAST_MS)
    sums = [np.bincount(of[known], v[known], int(of.max(initial=0)) + 1) for v in (given, asked)]
    answered = (sums[0] >= ANSWERED * sums[1]) & (sums[1] > 0)  # unknown is not
    return _beside(on), ~_beside(on & ~answered[of])


def _beside(on: Bools) -> Bools:
    """Where it holds, and a second before and after: acceleration is a difference over two."""
    out = on.copy()
    out[1:] |= on[:-1]
    out[:-1] |= on[1:]
    return out


def _mean(
    name: str, value: Floats, where: Bools, ride: Travel, least_m: float, car: RoadVehicle, missing: float = 0.0
) -> list[Metric]:
    """Mean over the way, in shares of the weight that the profile names, with two errors: of the hills, by how alike
    neighbouring streets are, and of the wind, which air drag knows nothing of. A heavier rider rolls harder in truth,
    and in the next ride as well: whoever holds it against another's figure has to allow for that. missing: what the
    way that was left out may have gone down, as a share of the weight."""
    metres = float(ride.metres[where].sum())
    if metres < least_m:
        return []
    way = ride.metres[where]
    mean = float(way @ value[where]) / metres
    hills = _hills(value[where], way, mean)
    blown = (air_force(car, ride.speed[where] + WIND_MS) - air_force(car, ride.speed[where] - WIND_MS)) / 2.0
    wind = float(way @ blown) / metres / (car.mass_kg * GRAVITY)
    return [Metric(name, mean, "1", math.hypot(hills, wind, missing), int(where.sum()))]


def _hills(value: Floats, way: Floats, mean: float) -> float:
    """Standard error by the scatter between pieces of STREET_M; by a usual street's where there are too few."""
    piece = (np.cumsum(way) / STREET_M).astype(np.int64)
    metres = np.bincount(piece, way)
    whole = metres > 0.5 * STREET_M
    count = int(whole.sum())
    if count >= LEAST_PIECES:
        grade = (np.bincount(piece, way * value) / np.maximum(metres, 1e-9))[whole]
        r = min(max(neighbours_alike(grade), 0.0), MOST_ALIKE)
        return t95(count - 1) / Z95 * float(grade.std(ddof=1)) * math.sqrt((1.0 + r) / (1.0 - r) / count)
    spread = math.sqrt(float(way @ (value - mean) ** 2) / float(way.sum()))
    return max(spread, HILLS) / math.sqrt(max(float(way.sum()) / STREET_M, 1.0))


def _energy(signals: Signals, ride: Travel, packs: int) -> list[Metric]:
    s = signals.series("pack_current")
    km = float(ride.metres.sum()) / 1000.0
    if len(s) < 10 or km < LEAST_M / 1000.0 or packs > 1:
        return []  # what one of several packs gave is not what the way took
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
    subject=Subject.DRIVE,
    needs=("vehicle_speed",),
    kinds=("ride",),
    compute=compute,
    gives={
        "coast_rolling": ("1", "Rolling resistance over the profile's weight while coasting; grade not observed."),
        "travel_rolling": (
            "1",
            "Rolling resistance over the profile's weight from all travel without brake; grade not observed.",
        ),
        "ride_rolling": (
            "1",
            "The same from all travel in which motors alone drove and braked: grade cancels better.",
        ),
        "braked_way_share": ("1", "Share of the way beside a brake that held: `travel_rolling` leaves it out."),
        "ride_mass_kg": ("kg", "Vehicle, rider and load, by how it answers to quick changes of the motors' force."),
        "ride_head_wind": ("m/s", "Wind from ahead, mean of the ride, by how resistance grows with the speed."),
        "ride_rolling_per_wind": ("1", "What each m/s of wind from ahead adds to the rolling resistance of the ride."),
        "consumption_wh_km": ("Wh/km", "Energy out of the pack less energy given back, per kilometre."),
        "regen_wh_km": ("Wh/km", "Energy given back to the pack, per kilometre."),
        "regen_share": ("1", "Energy given back over energy taken out."),
    },
    version=8,  # the wind of a ride, what a brake held; in 5 its own weight, where it can be read
    source="force balance, as in pipeline/science/road.py; errors of the current sensor as for pack_energy",
)
