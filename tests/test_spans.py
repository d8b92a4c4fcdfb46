"""Arithmetic of stretches of time, each against counting microsecond by microsecond."""

from __future__ import annotations

import itertools
import random

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from herdbook.pipeline.spans import SpanIndex, joined, outside, without

SPANS = st.lists(st.tuples(st.integers(0, 60), st.integers(0, 15)).map(lambda s: (s[0], s[0] + s[1])), max_size=8)


def test_the_search_gives_what_comparing_one_by_one_gives() -> None:
    rng = random.Random(5)
    met = 0
    for _ in range(2000):
        some = [(a, a + rng.randint(1, 30)) for a in rng.choices(range(60), k=rng.randint(0, 12))]
        start = rng.randint(-5, 100)
        span = (start, start + rng.randint(0, 40))
        expected = sorted(w for w in some if span[0] < w[1] and span[1] >= w[0])
        met += bool(expected)
        assert SpanIndex(some).touched_by(span) == expected
    assert met > 500


@given(SPANS, st.integers(0, 5))
def test_joined(spans: list[tuple[int, int]], gap: int) -> None:
    """Every moment covered before is so after; what is covered besides is a gap of no more than `gap`."""
    found = joined(spans, gap)
    assert all(b[0] - a[1] > gap for a, b in itertools.pairwise(found))
    covered = {t for a, b in spans for t in range(a, b + 1)}
    filled = {t for a, b in found for t in range(a, b + 1)} - covered
    assert covered <= {t for a, b in found for t in range(a, b + 1)}
    assert all({t - gap, *range(t - gap, t)} & covered for t in filled)
    assert {a for a, _ in found} <= {a for a, _ in spans}
    assert {b for _, b in found} <= {b for _, b in spans}


@given(SPANS, st.integers(0, 60), st.integers(0, 20))
def test_without(cut_out: list[tuple[int, int]], start: int, length: int) -> None:
    left = without((start, start + length), cut_out)
    expected = set(range(start, start + length + 1)) - {t for a, b in cut_out for t in range(a, b)}
    assert [t for a, b in left for t in range(a, b + 1)] == sorted(expected)


@given(SPANS, st.lists(st.integers(0, 75), max_size=30))
def test_outside(spans: list[tuple[int, int]], times: list[int]) -> None:
    t = np.array(sorted(times), np.int64)
    samples = (t, t.astype(np.float64))
    found = outside(samples, spans)
    kept = [x for x in t.tolist() if not any(a <= x <= b for a, b in spans)]
    assert found[0].tolist() == found[1].tolist() == kept
    if len(kept) == len(t):
        assert found is samples  # signals that share their times go on sharing them
