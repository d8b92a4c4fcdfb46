"""Each stated 95 % interval holds the truth about as often as it says; TABLE.md has the figures of many more worlds."""

from __future__ import annotations

import re

import numpy as np
import pytest

from tests.coverage import all_cases
from tests.coverage.__main__ import HIGH, LOW, TABLE, as_table
from tests.coverage.case import Case, cover

CASES = all_cases()
FIRST = list({case.estimator: case for case in reversed(CASES) if case.quick}.values())


def _holds(case: Case, runs: int) -> None:
    """Chance alone puts a case outside once in a thousand; more than the bar is no harm where a note says why."""
    found = cover(case, runs)
    low, high = found.reach(0.998)
    assert found.n >= runs / 5, "hardly any world gives a figure"
    assert np.isfinite(found.bias)
    assert high >= LOW, f"{case.name}: covers {found.covered:.2f} of {found.n}"
    assert low <= HIGH or case.note, f"{case.name}: covers {found.covered:.3f} of {found.n}"


@pytest.mark.parametrize("case", FIRST, ids=lambda c: c.name)
def test_an_interval_holds_the_truth(case: Case) -> None:
    _holds(case, 400 if case.cheap else 40)


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES, ids=lambda c: c.name)
def test_in_every_world(case: Case) -> None:
    _holds(case, 2000 if case.cheap else 150)


def test_the_table_is_of_these_cases() -> None:
    rows = re.findall(r"^\| ([^|]+) \| ([^|]+) \| [^|]+ \| [^|]+ \| \d+ \|", TABLE.read_text("utf-8"), re.M)
    assert rows == [(case.estimator, case.world) for case in CASES], "write it anew: make coverage"


def test_rows_that_are_not_drawn_again_and_what_is_said_above_them_stand() -> None:
    """The whole file is the tool's: nothing in it is written by hand and lost at the next run."""
    stands = TABLE.read_text("utf-8")
    assert as_table({}, "Drawn with --runs 1.", stands) == stands
