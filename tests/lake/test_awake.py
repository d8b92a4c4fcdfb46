"""Missed frames are counted over the time in which any bus was awake: sleep is no loss."""

from __future__ import annotations

import numpy as np
import pytest

from herdbook.decoders.decoding.extract import Column
from herdbook.pipeline.lake.cadence import MISSING, SILENCE_US, Awake, Cadence
from herdbook.pipeline.lake.layout import layout_of_profile
from herdbook.pipeline.lake.part import Part, Piece, RowBlock
from herdbook.pipeline.lake.read import LogRef
from herdbook.pipeline.vehicle.profile import Profile, load_profile
from tests.toy.bench import DATA

CYCLE = 100_000  # of Pack, which counts from 0 to 15


@pytest.fixture(scope="module")
def toy() -> Profile:
    return load_profile(DATA / "toy.toml")


def times(*t: int) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    return np.array(t, np.int64)


def test_waking_time_leaves_out_what_all_slept() -> None:
    gap = SILENCE_US + 1
    a, b = times(0, 500_000, 500_000 + gap), times(100, 600_000 + gap)
    t, naps = Awake([a, b]).of(a)
    assert t.tolist() == [0, 500_000, 500_000]
    assert naps is not None
    assert naps.tolist() == [0, 0, 1]
    t, naps_of_none = Awake([a, times(*range(0, 2_000_000, SILENCE_US))]).of(a)  # one was awake all the time
    assert (t.tolist(), naps_of_none) == (a.tolist(), None)
    assert Awake([times(0, SILENCE_US)]).of(a)[1] is None  # a silence of just so long is none
    assert Awake([]).of(a)[1] is None


def test_a_message_alone_that_never_sleeps_settles_it() -> None:
    """Only if it lasts as long as all others do."""
    short = times(*range(5_000_000, 6_000_000, 500_000))
    others = times(0, 500_000, 20_000_000)
    _, naps = Awake([short, others]).of(others)
    assert naps is not None
    assert naps.tolist() == [0, 0, 2]


def counted(toy: Profile, t: list[int], counters: list[int], *doubts: tuple[int, int]) -> tuple[object, ...]:
    """frames, missed, counter_gaps, counter_repeats of Pack."""
    cadence = Cadence([toy])
    ref = LogRef("a", "p", "toy", t[0], t[-1], doubts)
    part = Part(DATA, layout_of_profile(toy), [RowBlock("a", "Pack", 0, 0, len(t), t[0], t[-1])])
    assert cadence.wanted(part, ref) == {"Pack": ["Counter"]}
    half = len(t) // 2
    for rows in (slice(0, half), slice(half, None)):
        column = Column(np.array(counters[rows], np.int64))
        cadence.take(ref, Piece("Pack", times(*t[rows]), {"Counter": column}))
    (row,) = cadence.rows().select("frames", "missed", "counter_gaps", "counter_repeats").rows()
    return row


def test_counted_by_hand(toy: Profile) -> None:
    t = [i * CYCLE for i in range(40)]
    n = [i % 16 for i in range(40)]
    assert counted(toy, t, n) == (40, 0, 0, 0)
    gone = [i for i in range(40) if i not in (10, 11, 30)]
    assert counted(toy, [t[i] for i in gone], [n[i] for i in gone]) == (37, 2, 2, 0)  # one missed is within the limit
    stuck = [*n[:5], n[4], *n[6:]]
    assert counted(toy, t, stuck) == (40, 0, 1, 1)
    asleep = [x + (x >= 20 * CYCLE) * 3_600_000_000 for x in t]
    assert counted(toy, asleep, [*n[:20], *[(x + 5) % 16 for x in n[20:]]]) == (40, 0, 0, 0)


def test_the_limit_of_a_gap(toy: Profile) -> None:
    late = round(MISSING * CYCLE)
    assert counted(toy, [0, late], [0, 1])[1] == 0
    assert counted(toy, [0, late + 1], [0, 1])[1] == 2  # rounded: 2.5 cycles are three, of which two did not come


def test_doubtful_time_does_not_count(toy: Profile) -> None:
    t = [i * CYCLE for i in range(20)]
    assert counted(toy, t, [i % 16 for i in range(20)], (t[5], t[14]))[0] == 10


def test_what_the_dbc_does_not_declare_is_null(toy: Profile) -> None:
    cadence = Cadence([toy])
    part = Part(DATA, layout_of_profile(toy), [RowBlock("a", "Drive", 0, 0, 2, 0, CYCLE)])
    ref = LogRef("a", "p", "toy", 0, CYCLE)
    assert cadence.wanted(part, ref) == {"Drive": []}
    cadence.take(ref, Piece("Drive", times(0, CYCLE), {}))
    (row,) = cadence.rows().drop("start_t", "end_t").rows()
    assert row == ("Drive", 2, 0, None, None, None)
