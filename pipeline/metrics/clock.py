"""Quality of the clock behind a log: what the ledger doubts, and the logger's time against the controller's own.

The controller counts the time since its start. Within one run of it the two clocks must keep step: a constant
difference in rate is a slow or fast crystal, a jump is a clock that was set, or time that a log lost. What the ledger
knows of each log comes from clock_rows(), one session kind "log".
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import polars as pl

from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.science.robust_fit import line, median
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import METRICS, Event, Metric, Session
from herdbook.pipeline.vehicle.signals import Signals

BACK_S = 1.0  # uptime falling by more is a restart of the controller
JUMP_S = 2.0  # the clocks part by more from one sample to the next: a jump; above any counter's step
LEAST_S = 120.0
LEAST_COUNTS = 20
MOST_EVENTS = 20

OF_CLOCKS = frozenset({"clock_doubt_share", "clock_own"})  # what clock_rows() gives
LogClock = tuple[int, int, float, bool]  # start and end (microseconds UTC), seconds in doubt, has a clock of its own


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    s = signals.series("controller_uptime")
    known = np.isfinite(s.v)
    t, v = s.t[known], s.v[known]
    if t.size < LEAST_COUNTS:
        return Outcome()
    apart = np.diff(v) - np.diff(t) / 1e6  # how much the controller counted more than the log's clock
    restart = np.diff(v) < -BACK_S
    # a single wrong sample leaves and comes back: both of its steps cancel
    back = np.zeros(apart.shape, bool)
    back[:-1] = np.abs(apart[:-1] + apart[1:]) < 0.5 * np.abs(apart[:-1])
    back[1:] |= back[:-1]
    jumps = np.flatnonzero((np.abs(apart) > JUMP_S) & ~restart & ~back)
    worst = jumps[np.argsort(-np.abs(apart[jumps]), kind="stable")[:MOST_EVENTS]]
    events = tuple(
        Event("clock_jump", int(t[k]), int(t[k + 1]), "", {"jump_s": float(-apart[k])}) for k in np.sort(worst)
    )
    largest = float(np.abs(apart[jumps]).max()) if jumps.size else 0.0
    metrics = [
        Metric("clock_jump_count", float(jumps.size), "1", n=int(t.size)),
        Metric("clock_jump_s", largest, "s", median(np.diff(t)) / 1e6, int(t.size)),
    ]
    breaks = np.flatnonzero(restart | (np.abs(apart) > JUMP_S)) + 1
    return Outcome((*metrics, *_rate(t, v, breaks, session)), events)


def _rate(t: Times, v: Floats, breaks: np.ndarray, session: Session) -> list[Metric]:
    """Rate of the log's clock against the controller's over the longest unbroken run, in parts per million.

    Only the first sample of each new count is used: those between repeat its rounding."""
    edges = np.concatenate(([0], breaks, [t.size]))
    longest = int(np.argmax(t[edges[1:] - 1] - t[edges[:-1]]))
    run = slice(int(edges[longest]), int(edges[longest + 1]))
    t, v = t[run], v[run]
    counted = np.flatnonzero(np.diff(v) > 0) + 1
    span = float(t[-1] - t[0]) / 1e6
    if counted.size < LEAST_COUNTS or span < LEAST_S:
        return []
    fit = line(v[counted] - v[0], (t[counted] - t[0]) / 1e6)
    cover = span * 1e6 / max(session.end - session.start, 1)
    return [
        Metric(
            "clock_rate_ppm", 1e6 * (fit.slope - 1.0), "ppm", se=1e6 * fit.slope_se, n=fit.n, coverage=min(cover, 1.0)
        )
    ]


def clock_rows(logs: Iterable[LogClock]) -> pl.DataFrame:
    """Metric rows, one a log and name, in the columns of Record.metrics."""
    rows = []
    for start, end, doubtful_s, own in logs:
        span = max((end - start) / 1e6, 1e-6)
        for name, value in (("clock_doubt_share", min(doubtful_s / span, 1.0)), ("clock_own", float(own))):
            rows.append(("log", start, end, name, "", value, "1", None, 1, 1.0))
    raw = {n: pl.Int64 if n in ("start_t", "end_t") else t for n, t in METRICS.items()}
    table = pl.DataFrame(rows, schema=raw, orient="row")
    return table.with_columns(pl.col(n).cast(METRICS[n]) for n in ("start_t", "end_t"))


SET = MetricSet(
    id="clock",
    subject=Subject.USE,
    needs=("controller_uptime",),
    kinds=("ride", "charge", "rest", "bench"),
    compute=compute,
    gives={
        "clock_jump_count": ("1", "Times the log's clock and the controller's parted by over 2 s at once."),
        "clock_jump_s": ("s", "Largest of them; 0 when there was none."),
        "clock_rate_ppm": ("ppm", "How much faster the log's clock runs than the controller's."),
        "clock_doubt_share": ("1", "Share of a log's time that it claims twice; from the ledger, a log each."),
        "clock_own": ("1", "1 when the log has absolute time of its own, 0 when a sidecar or file name places it."),
    },
    source="two clocks that count the same seconds; doubts: as recorded at intake",
)
