"""How a figure with its interval, and a stretch of days, read on the terminal."""

from __future__ import annotations

import math


def days_between(first: str, last: str) -> str:
    """2026-03-04 to 2026-03-09, or the one day."""
    return first if first == last else f"{first} to {last}"


def span(value: float, low: float, high: float) -> str:
    """98.2 (97.1 to 99.3): as many digits as half the interval's width calls for, two of it."""
    return f"{rounded(value, low, high)} ({rounded(low, low, high)} to {rounded(high, low, high)})"


def rounded(value: float, low: float, high: float) -> str:
    width = 0.5 * abs(high - low)
    if not math.isfinite(value):
        return "open"
    if not math.isfinite(width) or width <= 0:
        return f"{value:.4g}"
    places = max(0, 1 - math.floor(math.log10(width)))
    return f"{value:.{min(places, 7)}f}"
