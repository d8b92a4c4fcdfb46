"""What one vehicle lives through: rider, load, wind, hills, season, how it is charged, and which part of it is logged.

The calendar is made ahead, by what the design is expected to use; the physics then finds the charge wherever it really
is. Logged sessions lie further apart than Herdbook joins, so that every log is a stretch of its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from demo_logs.makers.design import Design
from demo_logs.makers.faults import CHARGE, REST, RIDE

T0 = 1_780_272_000_000_000  # 2026-06-01, 00:00 UTC
MINUTE, HOUR, DAY = 60_000_000, 3_600_000_000, 86_400_000_000
APART = 8 * MINUTE
FULL, PART, NEVER = "full", "to 80 %", "never full"


@dataclass(frozen=True, slots=True)
class Habits:
    """logged: share of the sessions that a log shows. charging: full, to 80 % (unplugged there), or never full.
    plugged: stays plugged in after the end. hills: standard deviation of the grade. wind_ms: usual. mid_ride: share of
    rides whose log begins under way. drop: share of frames lost."""

    rides_a_week: float
    ride_min: float
    logged: float
    logs_rests: float
    charging: str
    plugged: bool
    plug_below_pct: float
    rider_kg: float
    load_kg: float
    briskness: float  # 0 gentle .. 1 hard
    hills: float
    wind_ms: float
    air_c: float
    garage_c: float
    mid_ride: float
    drop: float


@dataclass(frozen=True, slots=True)
class Event:
    """One session to come. log_from_s: seconds into it at which the log begins. until_pct: charge is unplugged there.
    use_pct: charge that a ride nobody logs takes."""

    kind: str
    start: int
    seconds: float
    logged: bool
    air_c: float
    load_kg: float = 0.0
    wind_ms: float = 0.0
    log_from_s: float = 0.0
    until_pct: float = 101.0
    use_pct: float = 0.0
    to_pct: float = -1.0  # or the charge at which it ends

    @property
    def end(self) -> int:
        return self.start + int(self.seconds * 1e6)


def draw_habits(rng: np.random.Generator, design: Design) -> Habits:
    room = 0.35 * (design.drive.mass_kg - design.drive.rider_kg)
    season = float(rng.choice([2.0, 10.0, 18.0, 27.0], p=[0.2, 0.3, 0.3, 0.2])) + float(rng.normal(0.0, 3.0))
    return Habits(
        rides_a_week=float(rng.uniform(2.5, 7.0)),
        ride_min=float(np.exp(rng.uniform(np.log(3.5), np.log(12.0)))),
        logged=float(rng.choice([0.1, 0.25, 0.5, 0.8, 1.0])),
        logs_rests=float(rng.choice([0.0, 0.2, 0.6])),
        charging=str(rng.choice([FULL, PART, NEVER], p=[0.55, 0.25, 0.20])),
        plugged=bool(rng.random() < 0.5),
        plug_below_pct=float(rng.choice([30.0, 55.0, 85.0])),
        rider_kg=float(np.clip(rng.normal(80.0, 17.0), 45.0, 130.0)),
        load_kg=float(max(0.0, rng.normal(0.0, 1.0))) * room,
        briskness=float(rng.uniform(0.0, 1.0)),
        hills=float(rng.choice([0.005, 0.02, 0.045])),
        wind_ms=float(abs(rng.normal(0.0, 2.0))),
        air_c=season,
        garage_c=max(season, float(rng.uniform(5.0, 20.0))),
        mid_ride=0.3 if rng.random() < 0.25 else 0.0,
        drop=float(rng.choice([0.0, 0.0, 0.001, 0.005])),
    )


def use_pct(design: Design, habits: Habits, minutes: float) -> float:
    """Charge that a ride is expected to take, in per cent."""
    drive = design.drive
    mass = drive.mass_kg + habits.rider_kg - drive.rider_kg + habits.load_kg
    speed = drive.top_ms * (0.55 + 0.2 * habits.briskness)
    force = mass * 9.81 * drive.rolling + 0.6 * drive.drag_area_m2 * speed**2 + mass * (0.08 + 2.0 * habits.hills)
    watts = force * speed * 0.75 / 0.78 + drive.aux_w
    return 100.0 * watts * minutes / 60.0 / (design.nominal_v * design.cell.rated_ah)


def calendar(rng: np.random.Generator, design: Design, habits: Habits, weeks: float, parked: int = 0) -> list[Event]:
    """Events in order of time. parked: onset of three weeks left near empty (0: none)."""
    out: list[Event] = []
    end = T0 + int(weeks * 7 * DAY)
    charge_pct = float(rng.uniform(55.0, 95.0))
    wind = habits.wind_ms * float(rng.choice([-1.0, 1.0]))
    t = T0 + int(rng.uniform(0.2, 0.6) * DAY)
    while t < end:
        if parked and t > parked:
            out += _left_empty(rng, habits, t)
            parked, charge_pct = 0, 3.0
            t = out[-1].end + 21 * DAY + APART
            end = max(end, t + 3 * DAY)
            continue
        minutes = float(np.clip(habits.ride_min * np.exp(rng.normal(0.0, 0.35)), 2.0, 16.0))
        use = use_pct(design, habits, minutes)
        if use > 55.0:
            minutes, use = minutes * 55.0 / use, 55.0
        ridden = bool(out) and out[-1].kind != CHARGE
        if charge_pct - use < 12.0 or (ridden and charge_pct < habits.plug_below_pct):
            event, charge_pct = _charge(rng, design, habits, t, charge_pct)
            out.append(event)
            t = event.end + APART + int(rng.uniform(0.25, 6.0) * HOUR)
            continue
        logged = bool(rng.random() < habits.logged)
        mid = rng.random() < habits.mid_ride
        air = habits.air_c + float(rng.normal(0.0, 2.5))
        out.append(
            Event(
                RIDE,
                t,
                minutes * 60.0,
                logged,
                air,
                max(0.0, habits.load_kg * float(rng.uniform(0.5, 1.3))),
                float(wind * rng.uniform(0.2, 1.6)),
                float(rng.uniform(20.0, 0.5 * minutes * 60.0)) if mid else 0.0,
                use_pct=use,
            )
        )
        charge_pct -= use
        t = out[-1].end + APART
        if rng.random() < habits.logs_rests:
            out.append(Event(REST, t, float(rng.choice([15.0, 40.0, 120.0])) * 60.0, logged, air))
            t = out[-1].end + APART
        gap_h = min(60.0, float(rng.exponential(168.0 / habits.rides_a_week)))
        t += int(max(0.25, gap_h) * HOUR)
    return out


def _charge(rng: np.random.Generator, design: Design, habits: Habits, t: int, charge_pct: float) -> tuple[Event, float]:
    until, target = 101.0, 100.0
    if habits.charging == PART:
        until = target = float(rng.uniform(77.0, 84.0))
    elif habits.charging == NEVER:
        until = target = float(rng.uniform(60.0, 92.0))
    hours = max(0.1, (target - charge_pct) / 100.0 * design.cell.rated_ah / design.charger.amps)
    slow = 1.35 if design.charger.kind == "cc_cv" else 1.9
    more = (float(rng.uniform(1.0, 4.0)) if habits.plugged else 0.4) if until > 100.0 else 0.1
    seconds = min(14.0, hours * slow + more) * 3600.0
    logged = bool(rng.random() < habits.logged)
    air = habits.garage_c + float(rng.normal(0.0, 1.5))
    return Event(CHARGE, t, seconds, logged, air, until_pct=until), max(target, charge_pct)


def _left_empty(rng: np.random.Generator, habits: Habits, t: int) -> list[Event]:
    """Ridden down, a last look at the vehicle, then nothing."""
    down = Event(RIDE, t, 600.0, False, habits.air_c, to_pct=float(rng.uniform(2.0, 4.0)))
    return [down, Event(REST, down.end + HOUR, 1800.0, True, habits.air_c)]
