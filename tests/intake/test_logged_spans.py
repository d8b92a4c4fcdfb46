"""What a log's own times tell: its stretches, silences, clocks that jump, and time that two stretches both claim."""

from __future__ import annotations

import numpy as np
import pytest

from herdbook.pipeline.errors import InputError
from herdbook.pipeline.intake.logged_spans import BACK, MOST_RUNS, LoggedSpan, Run, SpanTracker, ahead
from herdbook.pipeline.times import DAY, S

T = 1_772_352_000 * S  # 2026-03-01T08:00:00Z
NOW = T + 30 * DAY


def tracked(*batches: list[int], gap: int = 10 * S, jump: int = 600 * S) -> SpanTracker:
    """Times in seconds after T."""
    tracker = SpanTracker(NOW, gap, jump)
    for batch in batches:
        tracker.add(np.array([T + s * S for s in batch], np.int64))
    return tracker


def spans(tracker: SpanTracker) -> list[tuple[int, int]]:
    return [((s.start - T) // S, (s.end - T) // S) for s in tracker.spans()]


def test_silence_parts_and_its_limit_does_not() -> None:
    assert spans(tracked([0, 10, 20, 31, 40])) == [(0, 20), (31, 40)]
    assert tracked([0, 10, 20, 31, 40]).notes() == []


def test_batches_make_no_difference() -> None:
    times = [0, 5, 30, 31, 29, 60, 900, 905, 100, 101]
    whole = tracked(times)
    for cut in range(len(times) + 1):
        assert tracked(times[:cut], [], times[cut:]).runs == whole.runs
    assert tracked(*[[t] for t in times]).runs == whole.runs
    assert tracked().spans() == []


def test_disorder_up_to_a_second_is_buffering() -> None:
    tracker = SpanTracker(NOW, 10 * S, 600 * S)
    tracker.add(np.array([T, T + 2 * S, T + 2 * S - BACK, T + 3 * S], np.int64))
    assert tracker.runs == [Run(T, T + 3 * S, T + 3 * S, 0)]
    tracker.add(np.array([T + 2 * S - 1], np.int64))
    assert len(tracker.runs) == 2
    assert "went back by 1.0 s" in tracker.notes()[0]


def test_time_that_two_stretches_claim_is_doubtful() -> None:
    back = tracked([0, 10, 20, 5, 15, 25])
    assert [((a - T) // S, (b - T) // S) for a, b in back.doubts()] == [(5, 20)]
    assert "occurs twice in the log" in back.notes()[-1]
    thrice = tracked([0, 10, 20, 5, 14, 8, 18])
    assert [((a - T) // S, (b - T) // S) for a, b in thrice.doubts()] == [(5, 18)]
    assert tracked([0, 10, 30, 40]).doubts() == []


def test_a_long_silence_is_noted_a_short_one_is_not() -> None:
    assert tracked([0, 600, 1200]).notes() == []
    (note,) = tracked([0, 601]).notes()
    assert note == "no frames for 601 s from 2026-03-01 08:00:00 UTC: a pause or a clock that jumped"


def test_what_carries_no_believable_date_is_kept_aside() -> None:
    tracker = SpanTracker(NOW, 10 * S, 600 * S)
    tracker.add(np.array([5 * S, 6 * S, T, T + S], np.int64))  # 1970 until the clock was set
    assert tracker.spans() == [LoggedSpan(5 * S, 6 * S, False), LoggedSpan(T, T + S, True)]
    notes = tracker.notes()
    assert notes[0] == "the clock jumped from 1970-01-01 00:00:06 UTC to 2026-03-01 08:00:00 UTC"
    assert "no believable date" in notes[1]
    assert ahead(tracker.spans(), T) == ["the log ends 1 s after it was received: its clock runs ahead"]
    assert ahead(tracker.spans(), T + S) == []
    assert ahead([LoggedSpan(NOW, NOW + S, False)], T) == []


def test_many_clock_events_are_counted_not_listed() -> None:
    said = tracked([1000 * i for i in range(60)]).notes()
    assert (len(said), said[-1]) == (51, "and 9 more clock events")


def test_times_that_jump_all_the_time_are_no_log() -> None:
    with pytest.raises(InputError, match="jump all the time"):
        tracked([20 * i for i in range(MOST_RUNS + 1)])
