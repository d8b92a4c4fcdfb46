"""How a brake follows its demand in time: late, or suddenly gone."""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats, Times
from herdbook.pipeline.science.stretches import Stretches, extremes, first_where, means, owner, stretches

GONE_S = 0.2  # gone for less could be one lost frame
COLLAPSE_S = 0.3  # a limiter's taper takes longer


def response_s(
    t: Times, target_a: Floats, delivered_a: Floats, s: Stretches, least_a: float, clean: Bools | None = None
) -> Floats:
    """Delay from demand to delivery at half height, per braking, seconds.

    Half of the largest target within the first 1.5 s: when the target first reaches it against when the
    delivered current does. NaN when the target stays under least_a, starts above its half (the braking was
    cut into), or is never reached: a refusal is no delay. clean: of each braking, whether it was seen off just before,
    so that one that starts above its half was pulled within a sample, not cut into.
    """
    of = owner(s, t.size)
    early = (of >= 0) & (t - t[s.first][of] <= 1.5e6)
    peak = extremes(np.where(early, target_a, np.nan), s)
    half = np.where(of >= 0, 0.5 * peak[of], np.nan)
    with np.errstate(invalid="ignore"):
        asked = first_where(target_a >= half, s)
        given = first_where((delivered_a >= half) & (of >= 0), s)
        begins = asked > s.first if clean is None else (asked > s.first) | clean
        ok = (peak >= least_a) & begins & (given >= asked) & (asked >= 0)
    return np.where(ok, (t[given] - t[asked]) / 1e6, np.nan)


def dropouts(
    t: Times, demand_a: Floats, delivered_a: Floats, fast: Bools, s: Stretches, least_a: float, delay_s: float
) -> Stretches:
    """Where a brake that was delivering is suddenly gone, the demand held.

    Gone: under 15 % of the demand, for at least GONE_S and three samples. COLLAPSE_S before, in the same
    braking, it delivered at least half of the demand, and since then its current fell to less than a third;
    the demand did not fall by more than a fifth, and did not blink within the usual delay_s of this brake
    before that: a late brake repeats a blink of the lever. fast: samples at which speed leaves no excuse.
    least_a: smaller demands are not looked at.
    """
    with np.errstate(invalid="ignore"):
        gone = (delivered_a < 0.15 * demand_a) & (demand_a >= least_a) & fast
    of = owner(s, t.size)
    runs = stretches(t, gone & (of >= 0), least_s=GONE_S, least_n=3)
    if not len(runs):
        return runs
    before = np.maximum(np.searchsorted(t, t[runs.first] - int(COLLAPSE_S * 1e6), side="right") - 1, 0)
    earlier = np.maximum(np.searchsorted(t, t[before] - int(delay_s * 1e6), side="right") - 1, s.first[of[runs.first]])
    earlier = np.minimum(earlier, before)
    same = (of[before] == of[runs.first]) & (of[runs.last] == of[runs.first])
    lowest = extremes(demand_a, Stretches(earlier, runs.first), largest=False)
    after = means(delivered_a, runs)
    with np.errstate(invalid="ignore"):
        flowed = (delivered_a[before] >= 0.5 * demand_a[before]) & (after < 0.33 * delivered_a[before])
        held = (demand_a[runs.first] >= 0.8 * demand_a[before]) & (lowest >= 0.5 * demand_a[before])
    return runs.keep(same & flowed & held)
