"""Belt slip: how much faster than its wheel a motor turns when it pulls, in percent at the motor's full torque current,
or at USUAL_A where the profile does not name it.

A line through relative speed over current, second by second: tyre size and wear shift it, only slip tilts it.
Corners make one side faster and the other slower at any current, and even out.

A belt that holds up to a torque and slips beyond it does so in the few hard seconds of a ride, which a line through all
of them takes for stray points. Those seconds are held against the gentle ones by themselves: the motor's speed less its
twin's, over the same vehicle speed, so that no message is late against another; without a twin over its own ratio, with
what the two messages are apart in time read from the gentle seconds.
"""

from __future__ import annotations

import math

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.travel import Travel, travel
from herdbook.pipeline.science.meta_analysis import Z95, t95
from herdbook.pipeline.science.robust_fit import median
from herdbook.pipeline.science.stretches import stretches
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Event, Metric, Session
from herdbook.pipeline.vehicle.signals import Signals

USUAL_A = 30.0  # where the profile names no largest torque current (engineering choice)
LEAST_MS = 2.0
LEAST_SECONDS = 40
# Shares of the full torque current; seconds, and pulls apart by so many seconds; a corner lasts some four seconds
# (engineering choices).
GENTLE, HARD = 0.2, 0.4
LEAST_HARD, LEAST_PULLS, APART_S, CORNER_S = 4, 2, 3, 4.0
SECONDS_APART = 0.005  # of the ratio: two messages within one second of a hard start (engineering choice)
LEAST_SPREAD = 0.07  # of the current, as a share of the full one, else there is nothing to tilt the line by


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    gear, wheel = profile.drive_figures.gear or math.nan, profile.drive_figures.wheel_m or math.nan
    full = profile.drive_figures.max_motor_a or USUAL_A
    ride = travel(session, signals, profile)
    metrics: list[Metric] = []
    events: list[Event] = []
    ratios = {side: _ratio(ride, side, gear, wheel) for side in ride.rpm}
    for side, ratio in ratios.items():
        metrics += _hard(ride, side, ratios, full)
        slip = _slip(ride, ratio, ride.amps[side] / full)
        if slip is None:
            continue
        value, se, n = slip
        metrics.append(Metric("belt_slip_pct", 100 * value, "%", 100 * se, n, item=side))
        if value > 0.015 and value > 3 * se:
            events += _events(ride, ratio, ride.amps[side], full, side)
    return Outcome(tuple(metrics), tuple(events))


def _ratio(ride: Travel, side: str, gear: float, wheel: float) -> Floats:
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(ride.rpm[side] / (ride.speed * gear / (math.pi * wheel) * 60.0))


def _hard(ride: Travel, side: str, ratios: dict[str, Floats], full: float) -> list[Metric]:
    """How far the motor runs ahead in the seconds of a hard pull or a hard electric brake, over the gentle ones."""
    pull = ride.amps[side] / full
    own, twins = ratios[side], [v for k, v in ratios.items() if k != side and np.isfinite(v).any()]
    with np.errstate(invalid="ignore", divide="ignore"):
        lag = ride.acceleration / ride.speed
        usable = (np.abs(ride.speed) > LEAST_MS) & np.isfinite(own + pull + lag) & (np.abs(own - 1) < 0.5)
    if len(twins) == 1:
        usable &= np.isfinite(twins[0]) & (np.abs(twins[0] - 1) < 0.5)
    with np.errstate(invalid="ignore"):
        ahead = own - twins[0] if len(twins) == 1 else own
    gentle = np.flatnonzero(usable & (np.abs(pull) < GENTLE))
    hard = np.flatnonzero(usable & (np.abs(pull) >= HARD))
    if gentle.size < LEAST_SECONDS or hard.size < LEAST_HARD:
        return []
    # the pull beside, as accelerating goes with pulling: without it a slip of gentle seconds is taken for lateness, and
    # as such off the hard ones
    free = np.column_stack([np.ones(ahead.size), lag, pull - np.mean(pull[gentle])])
    y, x = ahead[gentle], free[gentle]
    level = x @ np.linalg.lstsq(x, y, rcond=None)[0]
    spread = max(1.4826 * median(np.abs(y - level)), SECONDS_APART)  # what tells the lateness is no stray point
    y, x = (v[np.abs(ahead[gentle] - level) < 4.0 * spread] for v in (y, x))
    inverse = np.linalg.pinv(x.T @ x)
    fit = inverse @ (x.T @ y)
    left = y - x @ fit
    free[:, 2] = 0.0  # what the pull does is what is sought
    slip = (ahead[hard] - free[hard] @ fit) * np.sign(pull[hard])
    signed = free[hard] * np.sign(pull[hard])[:, None]
    pulls = np.split(slip, np.flatnonzero(np.diff(hard) > APART_S) + 1)  # seconds of one pull say much the same
    n = len(pulls)
    if n < LEAST_PULLS:
        return []
    means = np.array([float(part.mean()) for part in pulls])
    value = float(means.mean())
    known = signed.mean(axis=0)
    alone = max(left.size / CORNER_S, 2.0)
    of_gentle = float(left @ left) / alone * float(known @ inverse @ known)
    se = math.sqrt(float(means.var(ddof=1)) / n * (t95(n - 1) / Z95) ** 2 + of_gentle + SECONDS_APART**2)
    return [Metric("belt_hard_slip_pct", 100 * value, "%", 100 * se, int(hard.size), item=side)]


def _slip(ride: Travel, ratio: Floats, pull: Floats) -> tuple[float, float, int] | None:
    """Slope over the pull, a share of the full torque current, with its standard error: least squares, then once more
    without points beyond 4 spreads.

    A second slope, over acceleration / speed, takes up the time between the two messages: speeding up, the
    later one is ahead, which would look like slip.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        lag = ride.acceleration / ride.speed
        ok = (ride.speed > LEAST_MS) & np.isfinite(ratio + pull + lag) & (np.abs(ratio - 1) < 0.5)
    slope, se, n = 0.0, 0.0, 0
    for _ in range(2):
        n = int(ok.sum())
        if n < LEAST_SECONDS or float(np.std(pull[ok])) < LEAST_SPREAD:
            return None
        x = np.column_stack((np.ones(n), pull[ok], lag[ok]))
        inverse = np.linalg.pinv(x.T @ x)
        fit = inverse @ (x.T @ ratio[ok])
        residual = ratio[ok] - x @ fit
        slope = float(fit[1])
        se = math.sqrt(float(residual @ residual) / (n - 3) * float(inverse[1, 1]))
        spread = 1.4826 * median(np.abs(residual)) + 1e-4
        keep = np.zeros(ok.shape, bool)
        keep[np.flatnonzero(ok)[np.abs(residual) < 4 * spread]] = True
        ok = keep
    # a corner lasts some four seconds: that many neighbouring points say the same thing
    return slope, 2.0 * se, n


def _events(ride: Travel, ratio: Floats, amps: Floats, full: float, side: str) -> list[Event]:
    """Pulls in which the motor ran ahead: the places to look at."""
    t = ride.start + (np.arange(ratio.size) * 1e6).astype(np.int64)
    level = float(np.nanmedian(ratio))
    with np.errstate(invalid="ignore"):
        runs = stretches(t, (np.abs(amps) > 0.3 * full) & ((ratio - level) * np.sign(amps) > 0.015), 1.5, least_s=1.0)
    return [
        Event(
            "belt_slip",
            int(t[a]),
            int(t[b]) + 1_000_000,
            side,
            {
                "slip_pct": float(100 * np.nanmean((ratio[a : b + 1] - level) * np.sign(amps[a : b + 1]))),
                "current_a": float(np.nanmax(np.abs(amps[a : b + 1]))),
            },
        )
        for a, b in zip(runs.first, runs.last, strict=True)
    ]


SET = MetricSet(
    id="belt",
    subject=Subject.DRIVE,
    needs=("motor_speed", "motor_current", "vehicle_speed"),
    figures=("drive.gear", "drive.wheel_m"),
    kinds=("ride", "bench"),
    compute=compute,
    gives={
        "belt_slip_pct": (
            "%",
            "How much faster than its wheel the motor turns at its full torque current (30 A where it is not known).",
        ),
        "belt_hard_slip_pct": (
            "%",
            "How much faster it turns in seconds of 40 % of that current and more than in gentle ones, over its twin.",
        ),
    },
    source="method: this file; needs the profile's gear and wheel_m; slip over 3 to 5 % marks a fault: from memory",
    version=4,  # what accelerating goes with is not taken off the hard seconds
)
