"""Part of a charge and the whole record about one group: one charge that is sure is enough, and what one of the two is
not sure enough of alone, the other may bear out."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from herdbook.pipeline.health.engine import apply
from herdbook.pipeline.health.examples import one_session, record
from herdbook.pipeline.health.pack.string import StringFit
from herdbook.pipeline.health.rule import Finding, NotAssessed, Record
from herdbook.pipeline.health.rules import _string_words, low_capacity_group
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.science.string_fit import Weighed, Why
from herdbook.pipeline.vehicle.record import Metric


def charges(share: float, se: float, count: int = 2) -> Record:
    rows = [Metric("cell_offset_rows", 500.0, "1", None, 500)]
    rows += [
        Metric("cell_capacity_share", v, "1", se, 500, item=k) for k, v in zip("1234", (1, 1, 1, share), strict=True)
    ]
    return record(*(one_session(d, "charge", *rows) for d in range(count)))


def told(held: Record) -> Finding | None:
    said = apply(low_capacity_group.RULE, held)
    assert not isinstance(said, NotAssessed)
    return next(iter(said), None)


@pytest.mark.parametrize(
    ("share", "se", "count", "says"),
    [
        (0.83, 0.014, 1, Severity.SERVICE),  # 8 errors beyond what is looked at, in one charge
        (0.88, 0.014, 2, Severity.SERVICE),  # 12 % is past 7.5 as well as any figure is known
        (0.935, 0.002, 2, Severity.NOTE),  # surely less than is acted on
    ],
)
def test_what_part_of_a_charge_says_alone(share: float, se: float, count: int, says: Severity) -> None:
    found = told(charges(share, se, count))
    assert found is not None
    assert found.severity is says


def test_what_is_not_sure_is_not_judged() -> None:
    assert isinstance(apply(low_capacity_group.RULE, charges(0.88, 0.03, 1)), NotAssessed)


@pytest.mark.parametrize(("share", "borne_out"), [(0.895, True), (0.995, False)])
def test_a_charge_bears_out_what_the_record_shows_in_one_session(
    share: float, borne_out: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The whole record sees a group 9 % short in one session alone, which a wire could do too. The length of the
    curve's steps no wire changes: where they say the same, it is acted on; where they are usual, nothing is said."""
    weighed = Weighed(
        {"": 1e-9, **dict.fromkeys(Why, 0.0), Why.CAPACITY: 0.99}, Why.CAPACITY, 0.09, 0.02, 0.0, -0.05, 0.02
    )
    fit = SimpleNamespace(
        groups={"4": weighed},
        looked=frozenset("1234"),
        again=frozenset(),
        open={},
        depth=0.6,
        pieces=40,
        days=14.0,
        windows=(),
        could_show=lambda *_: True,
        newest=lambda _: StringFit({}, frozenset(), (), 0, 0.0),
    )
    monkeypatch.setattr(low_capacity_group, "string_fit", lambda _: fit)
    monkeypatch.setattr(_string_words, "string_fit", lambda _: fit)
    found = told(charges(share, 0.018, 1))
    if borne_out:
        assert found is not None
        assert found.severity is Severity.SERVICE
        assert found.confidence == 0.99
    else:
        assert found is None
