"""What a profile's first logs say against it does not depend on which of them came first, nor on how many at once."""

from __future__ import annotations

from pathlib import Path

import pytest

import tests.toy.logs as toy
from herdbook.pipeline.times import DAY
from tests.toy.bench import Bench

STRETCHES = (  # a rest, a ride, a charge of another vehicle
    toy.stretch(toy.T0, 60),
    toy.stretch(toy.T0 + DAY, 90, kmh=18, amps=-20, mode=2, first=900),
    toy.stretch(toy.T0 + 2 * DAY, 80, amps=5, mode=3, serial=8),
)
CHECKS = 'SELECT profile, "check", item, verdict, tested, found, reason, advice, roles FROM contact_checks ORDER BY ALL'


def told(folder: Path, nights: tuple[tuple[int, ...], ...]) -> tuple[object, ...]:
    """Verdicts after these logs came in so many nights."""
    bench = Bench(folder)
    for night in nights:
        for which in night:
            toy.write(bench.inbox / f"{which}.log", STRETCHES[which])
        bench.scan()
    return bench.ask("SELECT logs_known, logs, vehicles, settled FROM contacts"), bench.ask(CHECKS)


@pytest.fixture(scope="module")
def at_once(tmp_path_factory: pytest.TempPathFactory) -> tuple[object, ...]:
    return told(tmp_path_factory.mktemp("at_once"), ((0, 1, 2),))


@pytest.mark.parametrize("nights", [((0,), (1,), (2,)), ((2,), (1,), (0,)), ((1, 2), (0,))])
def test_any_order_ends_in_the_same_verdict(
    tmp_path: Path, at_once: tuple[object, ...], nights: tuple[tuple[int, ...], ...]
) -> None:
    assert told(tmp_path, nights) == at_once
