"""Results do not depend on how the data are cut into logs, how these overlap, or in which order they arrive."""

from __future__ import annotations

import shutil
import tempfile
from functools import cache
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

import tests.toy.logs as toy
from tests.toy.bench import RESULTS, Bench, answers

DAY = 86_400_000_000
SHM = "/dev/shm" if Path("/dev/shm").is_dir() else None  # syncing to a disk is most of the time otherwise
# two days: a rest, a ride, a rest and a charge of 20 to 70 s each; then, 200 s later, a ride; the next day a ride
WHOLE = [
    *toy.stretch(toy.T0, 61),
    *toy.stretch(toy.T0 + 61_000_000, 70, kmh=18, amps=-20, mode=2, first=610),
    *toy.stretch(toy.T0 + 131_000_000, 62, first=1310),
    *toy.stretch(toy.T0 + 193_000_000, 65, amps=5, mode=3, first=1930, pack_serial=502),
    *toy.stretch(toy.T0 + 458_000_000, 20, kmh=9, amps=-9, mode=2, pack_serial=502),
    *toy.stretch(toy.T0 + DAY, 30, kmh=12, amps=-12, mode=2, pack_serial=502),
]

LINES = [line for i, line in enumerate(WHOLE) if i % 23]  # frames are missing all along, and counters step


@cache
def undisturbed() -> dict[str, str]:
    """Everything in one log and one scan."""
    folder = Path(tempfile.mkdtemp(dir=SHM))
    try:
        bench = Bench(folder)
        toy.write(bench.inbox / "TOY-007" / "all.log", LINES)
        bench.scan()
        return answers(bench.store, RESULTS)
    finally:
        shutil.rmtree(folder)


cuts = st.lists(st.integers(200, len(LINES) - 200), min_size=1, max_size=6, unique=True).map(sorted)


def check(at: list[int], overlap: list[int], order: list[int], batch: list[int]) -> None:
    """Pieces that reach `overlap` lines into the next one, in some order, over as many scans as batch has steps."""
    edges = [0, *at, len(LINES)]
    pieces = [LINES[a : b + extra] for a, b, extra in zip(edges, edges[1:], overlap, strict=False)]
    arrival = sorted(range(len(pieces)), key=lambda i: order[i])
    folder = Path(tempfile.mkdtemp(dir=SHM))
    try:
        bench = Bench(folder)
        for place, i in enumerate(arrival):
            toy.write(bench.inbox / "TOY-007" / f"{order[i]}-{i}.log", pieces[i])
            if batch[place]:
                bench.scan()
        bench.scan()
        assert not bench.ask("SELECT * FROM quarantine")
        found = answers(bench.store, RESULTS)
        for name, expected in undisturbed().items():
            assert found[name] == expected, name
    finally:
        shutil.rmtree(folder)


sevens = st.lists(st.integers(0, 400), min_size=7, max_size=7)
orders = st.lists(st.integers(0, 1000), min_size=7, max_size=7)
flags = st.lists(st.sampled_from([0, 0, 1]), min_size=7, max_size=7)
quiet = {
    "deadline": None,
    "suppress_health_check": list(HealthCheck),
    "derandomize": True,
    "phases": (Phase.explicit, Phase.generate),
}


@settings(max_examples=4, **quiet)  # type: ignore[arg-type]
@given(cuts, sevens, orders, flags)
@pytest.mark.slow
def test_any_cut_overlap_and_order_gives_the_same_results(
    at: list[int], overlap: list[int], order: list[int], batch: list[int]
) -> None:
    check(at, overlap, order, batch)


@pytest.mark.slow
@settings(max_examples=120, **{**quiet, "derandomize": False})  # type: ignore[arg-type]
@given(cuts, sevens, orders, flags)
def test_many_more_cuts_overlaps_and_orders(
    at: list[int], overlap: list[int], order: list[int], batch: list[int]
) -> None:
    check(at, overlap, order, batch)
