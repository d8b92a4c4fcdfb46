"""Numbers as a finding's sentence gives them."""

from __future__ import annotations

import math
import re
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from herdbook.pipeline.health.engine import apply
from herdbook.pipeline.health.rule import NotAssessed, Rule
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.health.sentences import counted, spell, to_error
from herdbook.pipeline.reports.words.numbers import amount


@pytest.mark.parametrize(
    ("value", "unit", "se", "text"),
    [
        (3.14159, "V", None, "3.14 V"),
        (3.14159, "V", 0.0217, "3.14 ± 0.02 V"),
        (1.56, "", 0.055, "1.56 ± 0.06"),
        (4.65, "", 0.38, "4.7 ± 0.4"),
        (0.0343, "", 0.004, "0.034 ± 0.004"),
        (0.0996, "V", 0.0996, "0.10 ± 0.10 V"),  # an error that rounds up to one more place
        (12345.6, "W", 1234.0, "12300 ± 1200 W"),
        (-0.0004, "A", 0.02, "0.00 ± 0.02 A"),
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


@given(value=st.floats(-1e6, 1e6), se=st.floats(1e-6, 1e5))
def test_value_and_error_end_at_the_same_place(value: float, se: float) -> None:
    """JCGM 100, 7.2.6. Judged in exact fractions: each is within half a unit of the error's last place."""
    said, error = to_error(value, se)
    assert _places(said) == _places(error)
    figures = len(error.replace(".", "").strip("0"))
    assert figures <= 2, error
    assert abs(Fraction(error) - Fraction(se)) <= Fraction(se) / 2, "an error is never told half as large again"
    assert abs(Fraction(said) - Fraction(value)) <= Fraction(se) / 2, "rounding takes less than half an error"
    assert not said.startswith("-") or float(said) != 0


@given(value=st.floats(-1e6, 1e6), se=st.floats(1e-4, 1e5))
def test_a_table_shows_two_figures_of_the_error_and_agrees_with_the_sentence(value: float, se: float) -> None:
    table, error = re.sub("[\u202f\u00a0V]", "", amount(value, "V", se)).split(" ± ")
    assert _places(table) == _places(error)
    assert abs(Fraction(error) - Fraction(se)) <= Fraction(se) / 19
    in_words, _ = to_error(value, se)
    assert abs(Fraction(table) - Fraction(in_words)) <= Fraction(se)


ERROR = re.compile(r"(?:± |standard error )(\d+(?:\.\d+)?)")
NUMBER = re.compile(r"(?<![\w.-])[+-]?\d+(?:\.\d+)?(?![\w-])")


@pytest.mark.parametrize("rule", all_rules().values(), ids=lambda r: r.id)
def test_digits_of_a_rule_follow_the_error(rule: Rule) -> None:
    """Of every statement that a rule's cases bring about: an error has one or two figures, and a number before it ends
    at the same place."""
    for case in rule.cases().fires_on:
        said = apply(rule, case)
        assert not isinstance(said, NotAssessed)
        for text in (finding.statement for finding in said):
            for found in ERROR.finditer(text):
                error = found[1]
                assert 1 <= len(error.replace(".", "").lstrip("0")) <= 2 or error.endswith("0"), text
                before = NUMBER.findall(text[: found.start()])
                assert _places(error) in {_places(number) for number in before[-4:]}, text
                if found[0].startswith("±"):
                    assert _places(before[-1]) == _places(error), text


def _places(number: str) -> int:
    return len(number.partition(".")[2])
