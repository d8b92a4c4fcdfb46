"""Groups of few sessions borrow from their siblings how far sessions lie apart; one that scatters more does not."""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.health.newest_level import with_siblings
from herdbook.pipeline.health.pooled import Pooled, pool


def pooled(item: int, values: np.ndarray, se: float) -> Pooled:
    ses = np.full(values.size, se)
    value, error = pool(values, ses)
    t = np.arange(values.size, dtype=np.int64)
    return Pooled(str(item), value, error, values.size, values=values, ses=ses, starts=t, ends=t + 1)


def test_the_interval_holds_and_is_shorter_than_one_groups_own() -> None:
    """A dozen groups, three sessions each, which scatter by more than they say."""
    rng = np.random.default_rng(1)
    held, shorter = [], []
    for _ in range(300):
        groups = {}
        for k in range(12):
            true = 1.5 if k == 0 else 1.0
            groups[str(k)] = pooled(k, true * (1.0 + rng.normal(0.0, 0.03, 3)), se=0.01)
        found = with_siblings(groups, 8)["0"]
        held.append(abs(found.value - 1.5) < 1.96 * found.se)
        shorter.append(found.se / groups["0"].se)
    assert 0.90 <= np.mean(held) <= 0.995
    assert np.median(shorter) < 0.8


def test_a_group_that_scatters_by_more_keeps_what_its_own_sessions_say() -> None:
    rng = np.random.default_rng(2)
    groups = {str(k): pooled(k, 1.0 + rng.normal(0.0, 0.01, 3), se=0.01) for k in range(11)}
    groups["11"] = pooled(11, np.array([1.1, 1.5, 1.9]), se=0.01)
    assert with_siblings(groups, 8)["11"].se > 0.2


def test_many_sessions_speak_for_themselves() -> None:
    rng = np.random.default_rng(3)
    groups = {str(k): pooled(k, 1.0 + rng.normal(0.0, 0.02, 12), se=0.01) for k in range(12)}
    assert with_siblings(groups, 8) == groups
