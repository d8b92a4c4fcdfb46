"""Counts of rare things: how likely so many are, and how large their mean may be.

Source: the Poisson distribution; the exact upper end of its mean is F. Garwood's, Biometrika 28 (1936) 437.
"""

from __future__ import annotations

from math import exp, fsum, inf, lgamma, log, nextafter


def term(count: int, mean: float) -> float:
    """Probability of exactly count, at a mean above 0."""
    return exp(count * log(mean) - mean - lgamma(count + 1))


def tail(count: int, mean: float) -> float:
    """Probability of count or more, at a mean of 0 or more."""
    if count <= 0:
        return 1.0
    if mean <= 0:
        return 0.0
    if count <= mean:  # the short side is below
        return max(0.0, 1.0 - fsum(term(i, mean) for i in range(count)))
    one = term(count, mean)
    terms = [one]
    while one > terms[0] * 1e-17:
        count += 1
        one *= mean / count
        terms.append(one)
    return fsum(terms)


def upper_mean(count: int, sure: float) -> float:
    """The mean at which more than count are seen with the probability `sure`: the upper end of the one-sided interval
    of a mean of which count were seen.

    Newton's steps from below, where the chance rises and bends down, so that no step goes past the end.
    Raises: ValueError unless sure lies in [0.7, 1).
    """
    if not 0.7 <= sure < 1:
        raise ValueError(f"sure is {sure}; this way to the upper end needs 0.7 up to, not with, 1")
    mean, before = count + 1.0, -inf
    while mean > nextafter(before, inf):
        before = mean
        mean += (sure - tail(count + 1, mean)) / term(count, mean)
    return mean


def lower_mean(count: int, sure: float) -> float:
    """The mean at which as many as count or more are seen with the probability 1 - sure: the lower end of the one-sided
    interval of a mean of which count were seen; 0 when none were.

    By halving: the chance rises with the mean. Raises: ValueError unless sure lies in (0, 1).
    """
    if not 0 < sure < 1:
        raise ValueError(f"sure is {sure}; it lies between 0 and 1")
    if count <= 0:
        return 0.0
    low, high = 0.0, float(count)
    while tail(count, high) < 1 - sure:
        high *= 2
    for _ in range(60):
        mean = 0.5 * (low + high)
        low, high = (mean, high) if tail(count, mean) < 1 - sure else (low, mean)
    return 0.5 * (low + high)
