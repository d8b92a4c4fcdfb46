"""The habit is a percentile; numpy's `inverted_cdf` method is the nearest-rank percentile by another hand."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from herdbook.pipeline.night.silence import GAPS_NEEDED, RECENT_GAPS, habit_days


@settings(deadline=None)
@given(st.lists(st.integers(1, 60), min_size=0, max_size=90))
def test_habit_is_the_ninetieth_percentile_of_the_recent_gaps(gaps: list[int]) -> None:
    days = [date(2026, 1, 1) + timedelta(days=int(d)) for d in np.cumsum([0, *gaps])]
    if len(gaps) < GAPS_NEEDED:
        assert habit_days(days) is None
    else:
        expected = np.percentile(gaps[-RECENT_GAPS:], 90, method="inverted_cdf")
        assert habit_days(days) == float(expected)
