"""One figure out of sessions: no session weighs without end, and few of them claim no more than they know."""

from __future__ import annotations

import numpy as np
import pytest

from herdbook.pipeline.health.pooled import pool


@pytest.mark.parametrize("unknown", [0.0, np.nan])
def test_a_session_without_an_error_weighs_like_the_others(unknown: float) -> None:
    value, se = pool(np.array([1.0, 2.0, 3.0]), np.array([0.5, unknown, 0.5]))
    assert value == pytest.approx(2.0)
    assert se > 0.5 / np.sqrt(3)


def test_without_any_error_the_scatter_tells() -> None:
    value, se = pool(np.array([1.0, 2.0, 3.0, 4.0]), np.zeros(4))
    assert value == 2.5
    assert 1.96 * se == pytest.approx(3.18245 * np.std([1, 2, 3, 4], ddof=1) / 2, rel=1e-4)


@pytest.mark.parametrize("values", [[1.0], [1.0, 1.0]])
def test_values_that_tell_no_error_claim_none(values: list[float]) -> None:
    value, se = pool(np.array(values), np.full(len(values), np.nan))
    assert value == 1.0
    assert np.isnan(se)


def test_two_sessions_have_their_mean() -> None:
    assert pool(np.array([1.0, 2.0]), np.array([0.1, 0.1]))[0] == pytest.approx(1.5)


def test_agreement_by_chance_is_no_knowledge() -> None:
    assert pool(np.full(5, 2.0), np.full(5, 0.3))[1] >= 0.3 / np.sqrt(5)


def test_scatter_beyond_the_own_errors_is_owned_up_to() -> None:
    values, own = np.array([1.0, 1.5, 0.6, 1.3, 0.7]), np.array([0.01, 0.02, 0.2, 0.01, 0.02])
    value, se = pool(values, own)
    assert value == pytest.approx(values.mean(), abs=0.05)
    assert 1.96 * se > 2.7 * values.std(ddof=1) / np.sqrt(5) * 0.9


def test_one_session_is_taken_at_its_word() -> None:
    assert pool(np.array([2.72]), np.array([0.02])) == (2.72, 0.02)
