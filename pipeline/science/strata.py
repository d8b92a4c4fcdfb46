"""Two groups compared within strata (site, season, type), so that who rode where is not taken for what is built how.

Sources: N. Mantel and W. Haenszel, J. Natl. Cancer Inst. 22 (1959) 719; rate ratio and its error: S. Greenland and
J. M. Robins, Biometrics 41 (1985) 55; odds ratio and its error: J. Robins, N. Breslow, S. Greenland, Biometrics 42
(1986) 311. Exact counts: F. Garwood, Biometrika 28 (1936) 437.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erfc, exp, inf, sqrt

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.science import poisson
from herdbook.pipeline.science.binomial import lower_share

Z95 = 1.959963984540054


@dataclass(frozen=True, slots=True)
class Ratio:
    """First group over second, its 95 % interval, and p: of a difference so large or larger where there is none."""

    ratio: float
    low: float
    high: float
    p: float


def rate_ratio(events: Floats, exposure: Floats, events_other: Floats, exposure_other: Floats) -> Ratio | None:
    """Mantel-Haenszel ratio of two rates over strata; arrays by stratum. None where it cannot be told: no stratum in
    which both groups were watched, or no event in one of the groups."""
    both = (exposure > 0) & (exposure_other > 0)
    a, n, b, m = (x[both].astype(float) for x in (events, exposure, events_other, exposure_other))
    total = n + m
    up, down = float(np.sum(a * m / total)), float(np.sum(b * n / total))
    if not up or not down:
        return None
    variance = float(np.sum((a + b) * n * m / total**2)) / (up * down)
    seen, expected = float(np.sum(a)), float(np.sum((a + b) * n / total))
    spread = float(np.sum((a + b) * n * m / total**2))
    chi2 = (seen - expected) ** 2 / spread
    wide = exp(Z95 * sqrt(variance))
    return Ratio(up / down, up / down / wide, up / down * wide, erfc(sqrt(chi2 / 2)))


def odds_ratio(yes: Floats, no: Floats, yes_other: Floats, no_other: Floats) -> Ratio | None:
    """Mantel-Haenszel common odds ratio over strata, p by Cochran's test without correction. None where a stratum with
    both groups and both answers is lacking."""
    a, b, c, d = (x.astype(float) for x in (yes, no, yes_other, no_other))
    n = a + b + c + d
    keep = n > 1
    a, b, c, d, n = (x[keep] for x in (a, b, c, d, n))
    r, s = a * d / n, b * c / n
    big_r, big_s = float(np.sum(r)), float(np.sum(s))
    if not big_r or not big_s:
        return None
    p, q = (a + d) / n, (b + c) / n
    variance = float(
        np.sum(p * r) / (2 * big_r**2) + np.sum(p * s + q * r) / (2 * big_r * big_s) + np.sum(q * s) / (2 * big_s**2)
    )
    expected = np.sum((a + b) * (a + c) / n)
    spread = float(np.sum((a + b) * (c + d) * (a + c) * (b + d) / (n**2 * (n - 1))))
    chi2 = float(np.sum(a) - expected) ** 2 / spread
    wide = exp(Z95 * sqrt(variance))
    return Ratio(big_r / big_s, big_r / big_s / wide, big_r / big_s * wide, erfc(sqrt(chi2 / 2)))


def exact_rate_ratio(events: int, exposure: float, events_other: int, exposure_other: float) -> Ratio:
    """Ratio of two rates from plain counts, exactly: given the sum, the first count is binomial (Clopper and Pearson's
    interval). For few events, where rate_ratio() leans on large numbers. high is inf without an event in the second."""
    total, scale = events + events_other, exposure_other / exposure
    low = lower_share(events, total, 0.975) if total else 0.0
    high = 1 - lower_share(events_other, total, 0.975) if total else 1.0
    ratio = inf if not events_other else events / events_other * scale
    p = _as_rare(events, total, exposure / (exposure + exposure_other))
    return Ratio(ratio, low / (1 - low) * scale if low < 1 else inf, high / (1 - high) * scale if high < 1 else inf, p)


def _as_rare(count: int, trials: int, share: float) -> float:
    """Probability of a count that is as rare as this one or rarer (two-sided exact binomial test)."""
    k = np.arange(trials + 1)
    ways = np.concatenate([[0.0], np.cumsum(np.log(np.arange(trials, 0, -1)) - np.log(np.arange(1, trials + 1)))])
    chance = np.exp(ways + k * np.log(share) + (trials - k) * np.log1p(-share))
    return float(min(1.0, np.sum(chance[chance <= chance[count] * (1 + 1e-7)])))


def false_discovery(p: Floats, dependent: bool = False) -> Floats:
    """Adjusted p of many tests: those under a level are wrong in that share at most, on average.

    Y. Benjamini and Y. Hochberg, J. R. Stat. Soc. B 57 (1995) 289; dependent: Y. Benjamini and D. Yekutieli, Ann.
    Statist. 29 (2001) 1165, which holds however the tests hang together."""
    n = p.size
    if not n:
        return p
    order = np.argsort(p)
    factor = float(np.sum(1 / np.arange(1, n + 1))) if dependent else 1.0
    grown = p[order] * n * factor / np.arange(1, n + 1)
    adjusted = np.empty(n)
    adjusted[order] = np.minimum(1.0, np.minimum.accumulate(grown[::-1])[::-1])
    return adjusted


def rate_interval(events: int, exposure: float) -> tuple[float, float]:
    """Exact 95 % interval of a rate (Garwood)."""
    return poisson.lower_mean(events, 0.975) / exposure, poisson.upper_mean(events, 0.975) / exposure
