"""Charge through the pack in a session, for every set that counts it, and how long its current may be silent."""

from __future__ import annotations

from herdbook.pipeline.science.coulomb import Charge, integrate, usual_gap_s
from herdbook.pipeline.vehicle.record import Session
from herdbook.pipeline.vehicle.signals import Series, Signals


def session_charge(session: Session, signals: Signals) -> Charge:
    """Of the whole session: made once, not to be changed."""
    current = signals.series("pack_current")
    span_s = (session.end - session.start) / 1e6
    gap_s = usual_gap(signals, current)
    return signals.once(("charge", session), lambda: integrate(current.t, current.v, gap_s, span_s))


def usual_gap(signals: Signals, series: Series, most_s: float = 40.0) -> float:
    return signals.once(("usual gap", id(series.t), most_s), lambda: usual_gap_s(series.t, most_s))
