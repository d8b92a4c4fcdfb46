"""A brake that lets go or is barred: what one braking loses of it, from its samples."""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats, Integers
from herdbook.pipeline.metrics.shared.braking_samples import ON_PCT, SETTLE_S, Samples
from herdbook.pipeline.science.brake_limits import Envelope, shares
from herdbook.pipeline.science.brake_response import COLLAPSE_S, Braked, dropouts
from herdbook.pipeline.science.stretches import Stretches, extremes, means, owner, sums

BACK_S = 1.0  # a brake that is back so soon after it had gone was not cut by what moves in minutes: engineering choice
FREE, NOTHING_OF_LEAST = 0.98, 0.1  # of the ceiling; of the least demand, a reading's rest: engineering choices
STILL_PULLS = 0.3  # of the braking's strongest torque current: engineering choice


def dropout(s: Samples, envelope: Envelope, delay_s: float) -> dict[str, Floats]:
    with np.errstate(invalid="ignore"):
        fast = s.state.speed_ms > max(envelope.fade_ms, 2.0)
        fast &= ~_pulling(s)
    usual = 0.2 if np.isnan(delay_s) else delay_s
    braked = Braked(s.t, s.demand_a, s.allowed_a, s.delivered_a, fast)
    lost = dropouts(braked, s.events, least_a=s.least_a, delay_s=usual)
    names = ("dropout_s", "dropout_allowed_a", "dropout_share", "dropout_back")
    out = {name: np.full(len(s.events), np.nan) for name in names}
    if len(lost):
        of = owner(s.events, s.t.size)[lost.first]
        left = np.prod(list(shares(s.state, envelope).values()), axis=0)
        np.fmax.at(out["dropout_s"], of, lost.lengths_s(s.t))
        if s.allowed_known:
            np.fmin.at(out["dropout_allowed_a"], of, means(s.allowed_a, lost))
        # without current a full pack's voltage falls back, so that a limiter that cuts did so by the state before
        begin = np.searchsorted(s.t, s.t[lost.first] - int(COLLAPSE_S * 1e6), side="left")
        before = Stretches(np.maximum(begin, s.events.first[of]), lost.first)
        np.fmax.at(out["dropout_share"], of, np.fmin(means(left, lost), extremes(left, before, largest=False)))
        np.fmax.at(out["dropout_back"], of, _comes_back(s, lost, of))
    return out


def _comes_back(s: Samples, lost: Stretches, of: Integers) -> Floats:
    """1 where the current is half of what is asked, or allowed, again within BACK_S in the same braking."""
    after = np.minimum(lost.last + 1, s.events.last[of])
    until = np.searchsorted(s.t, s.t[lost.last] + int(BACK_S * 1e6), side="right") - 1
    with np.errstate(invalid="ignore"):
        flows = s.delivered_a >= np.fmax(0.5 * np.fmin(s.demand_a, s.allowed_a), 0.5 * s.least_a)
    again = extremes(flows.astype(float), Stretches(after, np.clip(until, after, s.events.last[of])))
    return np.where(lost.last < s.events.last[of], again, 0.0)


def barred(s: Samples, envelope: Envelope) -> dict[str, Floats]:
    """A brake that its controller bars needs no size of what was asked: a lever that is pulled is enough."""
    charge = np.isfinite(s.state.soc_pct) | np.isfinite(s.state.cell_max_v)
    if not s.allowed_known or not (charge & np.isfinite(s.state.cell_min_c)).any():
        return {}
    left = np.prod(list(shares(s.state, envelope).values()), axis=0)
    began = np.repeat(s.t[s.events.first], s.events.last - s.events.first + 1)
    with np.errstate(invalid="ignore"):
        pulled = (s.demand_pct >= ON_PCT) & (s.t - began >= SETTLE_S * 1e6) & (s.state.speed_ms > envelope.fade_ms)
        pulled &= charge & np.isfinite(s.state.cell_min_c) & (left >= FREE)
        pulled &= np.isfinite(s.allowed_a) & np.isfinite(s.delivered_a)
        kept_back = pulled & (np.fmax(s.allowed_a, s.delivered_a) <= NOTHING_OF_LEAST * s.least_a)
    return {
        "pulled_s": sums(np.where(pulled, s.dt_s, 0.0), s.events),
        "barred_s": sums(np.where(kept_back, s.dt_s, 0.0), s.events),
    }


def _pulling(s: Samples) -> Bools:
    """Where the motors still brake: at little speed their own loss may eat what a weak brake gives back."""
    known = [a for a in s.side_a.values() if np.isfinite(a).any()]
    if not known:
        return np.zeros(s.t.shape, bool)
    total = np.nansum(known, axis=0)
    return np.asarray(total > STILL_PULLS * extremes(total, s.events)[owner(s.events, s.t.size)])
