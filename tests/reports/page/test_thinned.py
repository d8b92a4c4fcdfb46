"""What a drawn line keeps of its samples, against a plain loop over slices."""

from __future__ import annotations

import numpy as np
import pytest

from herdbook.pipeline.reports.page.figure import axis, layout, packed
from herdbook.pipeline.reports.page.still.picture import still
from herdbook.pipeline.reports.page.still.scale import Values


def drawn(x: Values, y: Values) -> str:
    trace = {"type": "scatter", "mode": "lines", "x": packed(x), "y": packed(y), "name": "v"}
    return str(still({"data": [trace], "layout": layout(300, xaxis=axis("t"), yaxis=axis("v"))}, 300))


def kept_by_hand(y: Values, points: int) -> list[int]:
    n, halves = y.size, points // 2
    kept = {0, n - 1}
    for k in range(halves):
        inside = [i for i in range(n) if min(i * halves // n, halves - 1) == k]
        told = [i for i in inside if not np.isnan(y[i])]
        if told:
            kept |= {min(told, key=lambda i: (y[i], i)), min(told, key=lambda i: (-y[i], i))}
    kept |= {i for i in range(n) if np.isnan(y[i]) and (i == 0 or not np.isnan(y[i - 1]))}
    return sorted(kept)


@pytest.mark.parametrize("missing", [0.0, 0.2, 0.95])
@pytest.mark.parametrize("n", [561, 1000, 3000])
def test_every_slice_keeps_its_extremes_and_every_hole(n: int, missing: float) -> None:
    """The picture of all samples is that of the kept ones alone: thinning those changes nothing."""
    rng = np.random.default_rng(n)
    x, y = np.arange(n, dtype=float), rng.normal(0, 3, n).round(1)
    y[rng.random(n) < missing] = np.nan
    y[0], y[-1] = 12.0, -12.0  # the ends span the axis
    order = kept_by_hand(y, 560)
    path = drawn(x, y).split('class="ln" d="')[1].split('"')[0]
    alone = path_of(x[order], y[order])
    assert path == alone


def path_of(x: Values, y: Values) -> str:
    """As drawn when nothing is left out."""
    from herdbook.pipeline.reports.page.still import marks

    before = marks.POINTS
    try:
        marks.POINTS = 10**9
        return drawn(x, y).split('class="ln" d="')[1].split('"')[0]
    finally:
        marks.POINTS = before
