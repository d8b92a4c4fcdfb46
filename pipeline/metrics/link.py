"""The remote's radio link as the controller saw it: age of the newest packet, quality, losses.

Event "link_loss": packets stayed away past the command time-out. Data: lasted_s, age_ms (largest), speed_ms.
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.science.stretches import extremes, held_s, stretches
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Event, Metric, Session
from herdbook.pipeline.vehicle.signals import Signals

PAUSE_S = 0.5


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    out: list[Metric] = []
    events: tuple[Event, ...] = ()
    quality = signals.series("link_quality")
    good = quality.v[np.isfinite(quality.v)]
    if good.size:
        out.append(Metric("link_quality_pct", float(good.mean()), "%", n=int(good.size)))
        out.append(Metric("link_quality_p01_pct", float(np.percentile(good, 1)), "%", n=int(good.size)))
    age = signals.series("packet_age")
    known = np.isfinite(age.v)
    if known.sum() >= 10:
        watched = float(held_s(age.t, PAUSE_S).sum()) / 3600.0
        timeout = profile.drive_figures.trigger_timeout_ms
        runs = stretches(age.t, np.where(known, age.v, 0.0) > timeout, PAUSE_S, join_s=0.5, least_n=2)
        lasted = runs.lengths_s(age.t) + timeout / 1000.0
        oldest, speed = extremes(age.v, runs), signals.at(age.t[runs.first], "vehicle_speed", hold_s=1.0)
        out += [
            Metric("link_watched_h", watched, "h", n=int(known.sum())),
            Metric("packet_age_p99_ms", float(np.percentile(age.v[known], 99)), "ms", n=int(known.sum())),
            Metric("link_loss_count", float(len(runs)), "1", n=int(known.sum())),
            Metric("link_loss_s", float(lasted.sum()), "s", n=len(runs)),
        ]
        events = tuple(
            Event(
                "link_loss",
                int(age.t[a]),
                int(age.t[b]),
                "",
                {"lasted_s": float(d), "age_ms": float(o)} | ({"speed_ms": float(v)} if v == v else {}),
            )
            for a, b, d, o, v in zip(runs.first, runs.last, lasted, oldest, speed, strict=True)
        )
    return Outcome(tuple(out), events)


SET = MetricSet(
    id="link",
    subject=Subject.DRIVE,
    needs=(),
    kinds=("ride", "bench"),
    compute=compute,
    gives={
        "link_quality_pct": ("%", "Quality of the remote's link, mean."),
        "link_quality_p01_pct": ("%", "Quality that is undercut in 1 % of the samples."),
        "link_watched_h": ("h", "Time in which a loss would have shown."),
        "packet_age_p99_ms": ("ms", "Age of the newest packet, exceeded in 1 % of the samples."),
        "link_loss_count": ("1", "Losses longer than the command time-out."),
        "link_loss_s": ("s", "Time without the remote, losses only."),
    },
    source="time-outs of commands of 100 to 250 ms: common practice; the profile's trigger_timeout_ms wins",
)
