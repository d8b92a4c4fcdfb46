"""Counts of a yes among trials: how likely so many are, and what share they prove at least.

Source: the binomial distribution; the exact lower end is C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404.
"""

from __future__ import annotations

from math import exp, fsum, lgamma, log


def tail(count: int, trials: int, share: float) -> float:
    """Probability of count or more of so many trials, each a yes with the probability share (0..1)."""
    if count <= 0:
        return 1.0
    if count > trials or share <= 0:
        return 0.0
    if share >= 1:
        return 1.0
    ways = lgamma(trials + 1)
    return min(
        1.0,
        fsum(
            exp(ways - lgamma(k + 1) - lgamma(trials - k + 1) + k * log(share) + (trials - k) * log(1 - share))
            for k in range(count, trials + 1)
        ),
    )


def lower_share(count: int, trials: int, sure: float) -> float:
    """The share at which as many as count or more are seen with the probability 1 - sure: the lower end of the
    one-sided interval; 0 when none were. Raises: ValueError unless sure lies in (0, 1) and count in 0..trials."""
    if not 0 < sure < 1 or not 0 <= count <= trials:
        raise ValueError(f"{count} of {trials} with a sure of {sure}: a count lies in 0 to all, a sure between 0 and 1")
    low, high = 0.0, 1.0
    for _ in range(60 if count else 0):
        share = 0.5 * (low + high)
        low, high = (share, high) if tail(count, trials, share) < 1 - sure else (low, share)
    return low
