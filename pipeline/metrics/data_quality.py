"""How well a session was recorded: gaps, values not available or impossible, and the cadence of each role."""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Times
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Event, Metric, Session
from herdbook.pipeline.vehicle.signals import Key, Series, Signals

GAP_S = 1.0  # every vehicle sends something at least this often while awake; longer is a hole in the log
REST_GAP_S = 120.0  # a sleeping bus may send once a minute
MOST_EVENTS = 50


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    series = {key: s for key, s in signals.data.items() if len(s)}
    if not series:
        return Outcome()
    limit = (GAP_S if session.kind in ("ride", "bench") else REST_GAP_S) * 1e6
    t = _heard(session, list(series.values()), limit)
    step = np.diff(t)
    holes = np.flatnonzero(step > limit)
    lost = float(step[holes].sum()) / 1e6
    whole = (session.end - session.start) / 1e6
    n = sum(len(s) for s in series.values())
    metrics = [
        Metric("data_coverage", 1.0 - lost / whole if whole > 0 else 0.0, "1", n=n),
        Metric("data_gap_count", float(holes.size), "1", n=n),
        Metric("data_longest_gap_s", float(step.max()) / 1e6 if step.size else 0.0, "s", n=n),
    ]
    metrics += _missing(series)
    worst = holes[np.argsort(step[holes])[::-1][:MOST_EVENTS]]
    events = tuple(
        Event("data_gap", int(t[i]), int(t[i + 1]), "", {"lasted_s": float(step[i]) / 1e6}) for i in sorted(worst)
    )
    return Outcome(tuple(metrics), events)


def _heard(session: Session, series: list[Series], limit_us: float) -> Times:
    """Times between which nothing was heard can be read off: the densest series, and within its holes all others."""
    densest = max(series, key=len)
    t = np.concatenate(([session.start], densest.t, [session.end]))
    holes = np.flatnonzero(np.diff(t) > limit_us)
    if not holes.size:
        return t
    inside = [
        s.t[np.searchsorted(s.t, a, "right") : np.searchsorted(s.t, b, "left")]
        for a, b in zip(t[holes], t[holes + 1], strict=True)
        for s in series
    ]
    return np.unique(np.concatenate((t, *inside)))


def _missing(series: dict[Key, Series]) -> list[Metric]:
    """Share of samples not available or impossible, a role: all its items together."""
    total: dict[str, int] = {}
    bad: dict[str, int] = {}
    for (role, _), s in series.items():
        v = s.v
        total[role] = total.get(role, 0) + v.size
        bad[role] = bad.get(role, 0) + int(np.count_nonzero(np.isnan(v)))
    return [
        Metric("data_missing_share", bad[role] / total[role], "1", n=total[role], item=role)
        for role in sorted(total)
        if bad[role]
    ]


SET = MetricSet(
    id="data_quality",
    subject=Subject.USE,
    needs=(),
    kinds=("ride", "charge", "rest", "bench"),
    compute=compute,
    gives={
        "data_coverage": ("1", "Share of the session's time outside gaps."),
        "data_gap_count": ("1", "Gaps: nothing recorded for over 1 s (120 s while charging or at rest)."),
        "data_longest_gap_s": ("s", "Longest time with nothing recorded."),
        "data_missing_share": ("1", "Share of a role's samples without a value or impossible; absent when none."),
    },
    source="definitions: this file",
)
