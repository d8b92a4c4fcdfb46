"""The search gives what comparing every window with the span gives."""

from __future__ import annotations

import random

from herdbook.pipeline.spans import Touching


def test_as_one_by_one() -> None:
    rng = random.Random(5)
    met = 0
    for _ in range(2000):
        some = [(a, a + rng.randint(1, 30)) for a in rng.choices(range(60), k=rng.randint(0, 12))]
        start = rng.randint(-5, 100)
        span = (start, start + rng.randint(0, 40))
        expected = sorted(w for w in some if span[0] < w[1] and span[1] >= w[0])
        met += bool(expected)
        assert Touching(some).of(span) == expected
    assert met > 500
