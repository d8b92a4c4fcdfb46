"""Numbers as a finding's sentence gives them."""

from __future__ import annotations

import math

import pytest

from herdbook.pipeline.health.sentences import counted, spell


@pytest.mark.parametrize(
    ("value", "unit", "se", "text"),
    [
        (3.14159, "V", None, "3.14 V"),
        (3.14159, "V", 0.0217, "3.14 ± 0.022 V"),
        (-12.345, "A", 0.0, "-12.3 A"),
        (999.4, "W", None, "999 W"),
        (1234.6, "W", None, "1235 W"),
        (123456.0, "W", None, "123456 W"),  # no powers of ten
        (0.0004, "A", None, "0 A"),
        (-0.0004, "A", None, "0 A"),
        (0.0006, "A", None, "0.0006 A"),
        (0.5, "", None, "0.5"),
        (2.0, "K", math.inf, "2 K"),
    ],
)
def test_a_number_for_a_sentence(value: float, unit: str, se: float | None, text: str) -> None:
    assert spell(value, unit, se) == text


def test_one_and_many() -> None:
    assert [counted(n, "ride") for n in (0, 1, 2)] == ["0 rides", "1 ride", "2 rides"]
