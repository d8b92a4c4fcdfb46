"""Each sample once, however logs overlap: cut anew, uploaded twice, or heard by a second logger with its own clock."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from herdbook.pipeline.lake.merge_samples import Samples, SharedTimes, merge

CYCLE = 100.0


def series(start: int, count: int, step: int = 100, value: float = 0.0) -> Samples:
    """One sample a cycle; the value tells who heard it."""
    t = start + step * np.arange(count, dtype=np.int64)
    return t, np.full(count, value) if value else t.astype(np.float64)


def pairs(samples: Samples) -> list[tuple[int, float]]:
    return list(zip(samples[0].tolist(), samples[1].tolist(), strict=True))


@given(
    st.lists(st.integers(1, 500), min_size=1, max_size=40),
    st.lists(st.tuples(st.integers(0, 40), st.integers(0, 40)), max_size=5),
    st.sampled_from([None, CYCLE]),
    st.randoms(),
)
def test_a_series_cut_anyhow_is_itself_again(
    steps: list[int], cuts: list[tuple[int, int]], cycle: float | None, chance: object
) -> None:
    """Pieces that overlap, hold one another, are empty or come twice, in any order."""
    t = np.cumsum(np.array(steps, np.int64))
    v = (t * 7 % 13).astype(np.float64)
    pieces = [(t[:20], v[:20]), (t[20:], v[20:]), *((t[min(c) : max(c)], v[min(c) : max(c)]) for c in cuts)]
    chance.shuffle(pieces)  # type: ignore[attr-defined]
    assert pairs(merge(pieces, cycle)) == pairs((t, v))


def test_nothing_gives_nothing() -> None:
    t, v = merge([series(0, 0), series(0, 0)], CYCLE)
    assert (str(t.dtype), str(v.dtype), len(t), len(v)) == ("int64", "float64", 0, 0)


def test_the_second_logger_is_silent_where_both_heard() -> None:
    """The one with more samples in the overlap speaks there; where it is alone each speaks."""
    one, two = series(0, 20, value=1.0), series(1037, 20, value=2.0)
    poorer = (np.delete(two[0], [3, 5]), np.delete(two[1], [3, 5]))  # 1337 and 1537 were lost: one heard them
    for pieces in permutations([one, poorer]):
        found = pairs(merge(list(pieces), CYCLE))
        assert found == pairs(one) + [(t, 2.0) for t in range(1937, 3000, 100)]
    richer = series(1037, 20, value=2.0)
    torn = (np.delete(one[0], [12, 13]), np.delete(one[1], [12, 13]))
    for pieces in permutations([torn, richer]):
        found = pairs(merge(list(pieces), CYCLE))
        assert found == [(t, 1.0) for t in range(0, 1001, 100)] + pairs(richer)


def test_three_loggers_are_one_series() -> None:
    """Each is settled with every other."""
    a, b, c = (series(shift, 20 + more, value=1.0 + more) for shift, more in ((0, 2), (33, 1), (66, 0)))
    for pieces in permutations([a, b, c]):
        t, v = merge(list(pieces), CYCLE)
        assert t.tolist() == [0, 33, *range(66, 1967, 100), 2033, 2100]  # of two as full, the one that began later
        assert v.tolist() == [3.0, 2.0, *[1.0] * 20, 2.0, 3.0]


def test_without_a_cycle_the_fuller_log_is_the_measure() -> None:
    one, two = series(0, 20, value=1.0), series(37, 20, value=2.0)
    assert len(merge([one, two], None)[0]) in (20, 21)  # heard twice: one of them, and the other's first or last
    few = (two[0][::3], two[1][::3])  # 7 beside 20: they may be frames that the other missed
    assert len(merge([one, few], None)[0]) == 27


@pytest.mark.parametrize(("heard", "both"), [(11, True), (12, False)])
def test_half_as_many_again_is_the_limit(heard: int, both: bool) -> None:
    """From 50 to 1950 twenty frames are expected and 19 of one logger lie there: with 11 of another both may be right,
    as each may have missed some; with 12 they heard the same frames."""
    one = series(0, 21, value=1.0)
    t = np.array([50, *(130 + 100 * i for i in range(heard - 2)), 1950], np.int64)
    merged = merge([one, (t, np.full(heard, 2.0))], CYCLE)
    assert len(merged[0]) == (21 + heard if both else 21)


def test_a_frame_that_both_have_is_one_frame() -> None:
    """As above with 12, one of them the very same frame: 30 frames in all, so both may be right."""
    one = series(0, 21, value=1.0)
    t = np.array([50, 200, *(330 + 100 * i for i in range(9)), 1950], np.int64)
    assert len(merge([one, (t, np.full(12, 2.0))], CYCLE)[0]) == 32


def test_a_log_that_is_all_heard_twice_leaves_no_trace() -> None:
    """A short second recording inside a long one is silent as a whole; a third log beside it is not disturbed."""
    whole, later = series(0, 40, value=1.0), series(3537, 20, value=3.0)
    inside = np.delete(series(1037, 10)[0], [2, 5]), np.full(8, 2.0)
    for pieces in permutations([whole, inside, later]):
        found = pairs(merge(list(pieces), CYCLE))
        assert {v for _, v in found} == {1.0, 3.0}
        assert found[:40] == pairs(whole)
        assert found[-16:] == pairs(later)[-16:]


def test_a_log_apart_does_not_hide_that_two_others_heard_the_same() -> None:
    one, two, apart = series(0, 20, value=1.0), series(37, 20, value=2.0), series(100_000, 5, value=3.0)
    assert len(merge([apart, one, two], CYCLE)[0]) == 26  # one of the two, the other's first, and the five


def test_logs_that_share_half_their_frames_are_of_one_clock() -> None:
    """By chance no two clocks agree on microseconds: half of the poorer log's frames are enough, whatever the cycle."""
    t, v = series(0, 30)
    own = np.array([t[3] + 7], np.int64)
    few = np.concatenate([own, t[[20]]])  # one shared, one of its own
    one = (np.delete(t, 4), np.delete(v, 4))
    merged = merge([one, (few, np.full(2, 9.0))], 100 * CYCLE)
    assert merged[0].tolist() == sorted({*one[0].tolist(), *own.tolist()})
    more = np.concatenate([own, t[5:26:5]])
    assert len(merge([one, (more, np.full(6, 9.0))], 100 * CYCLE)[0]) == 30


def test_logs_that_share_most_frames_are_merged_one_by_one() -> None:
    """Two recordings of one bus by one clock, each with losses of its own: all that either has."""
    t, v = series(0, 30)
    one = (np.delete(t, [3, 4, 5]), np.delete(v, [3, 4, 5]))
    two = (np.delete(t, [10, 20]), np.delete(v, [10, 20]))
    assert pairs(merge([one, two], CYCLE)) == pairs((t, v))
    assert pairs(merge([two, one], 10 * CYCLE)) == pairs((t, v))  # also where the declared cycle is wrong


def test_two_halves_that_fill_each_other_stay() -> None:
    """As many frames as the cycle says, though none is in both."""
    even, odd = series(0, 10, 200, value=1.0), series(100, 10, 200, value=2.0)
    assert len(merge([even, odd], CYCLE)[0]) == 20


def test_logs_that_only_touch_hide_nothing() -> None:
    for early, late in ((1.0, 2.0), (2.0, 1.0)):
        one, two = series(0, 5, value=early), series(400, 5, value=late)
        assert pairs(merge([two, one], CYCLE)) == [
            *[(t, early) for t in (0, 100, 200, 300)],
            (400, 1.0),
            *[(t, late) for t in (500, 600, 700, 800)],
        ]


def test_of_several_values_at_one_time_the_lowest_is_kept_and_nan_last() -> None:
    one = (np.array([1, 2, 3, 4], np.int64), np.array([5.0, np.nan, 2.0, np.nan]))
    two = (np.array([1, 2, 3, 4], np.int64), np.array([4.0, 7.0, 3.0, np.nan]))
    for pieces in ([one, two], [two, one]):
        t, v = merge(pieces, CYCLE)
        assert t.tolist() == [1, 2, 3, 4]
        assert v[:3].tolist() == [4.0, 7.0, 2.0]
        assert np.isnan(v[3])


def test_one_log_with_disorder_and_doubles_rises_strictly() -> None:
    t = np.array([10, 10, 20, 30], np.int64)
    assert pairs(merge([(t, np.array([3.0, 1.0, 2.0, 4.0]))], None)) == [(10, 3.0), (20, 2.0), (30, 4.0)]


def test_signals_of_one_message_share_their_times() -> None:
    """So that what is looked up for one of them serves all; other arrays are looked at anew."""
    a, b = series(0, 5), series(1000, 5)
    times = SharedTimes()
    first = merge([b, a], CYCLE, times)
    second = merge([(a[0], -a[1]), (b[0], -b[1])], CYCLE, times)  # in order of time, whatever the values
    assert first[0] is second[0]
    assert pairs(second) == [(t, -v) for t, v in pairs(first)]
    other = series(500, 5)
    alone = merge([other], CYCLE, times)
    assert (alone[0] is other[0], alone[1] is other[1]) == (True, True)  # nothing to do, so nothing is copied
    overlapping = merge([a, series(200, 5)], CYCLE, times)
    assert overlapping[0].tolist() == [0, 100, 200, 300, 400, 500, 600]
