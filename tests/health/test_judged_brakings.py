"""Which brakings the braking rules look at, and what of a shortfall is unexplained."""

from __future__ import annotations

import pytest

from herdbook.pipeline.health.examples import one_session, record
from herdbook.pipeline.health.rules._example_brakings import braked, refused
from herdbook.pipeline.health.rules._judged_brakings import accounted, by_whom, held, judged, table, with_unexplained
from herdbook.pipeline.vehicle.record import Event

NAN = float("nan")  # stands for a number the event does not have


@pytest.mark.parametrize(
    ("braking", "kept"),
    [
        ({}, True),
        ({"settled_s": 0.2}, True),
        ({"settled_s": 0.19}, False),  # not steady long enough
        ({"demand_a": 3.0}, True),
        ({"demand_a": 2.9}, False),  # hardly asked for
        ({"delivered_a": NAN}, False),
        ({"short_slow_a": 3.9}, True),
        ({"short_slow_a": 4.0}, False),  # a fifth of the demand is missing because it rolls at walking pace
    ],
)
def test_a_braking_can_be_judged(braking: dict[str, float], kept: bool) -> None:
    assert judged(braked(braking)).height == kept


@pytest.mark.parametrize(
    ("braking", "kept"),
    [
        ({"dropout_s": 0.19}, True),
        ({"dropout_s": 0.2}, False),  # it answered and let go: another rule's subject
        ({"since_open_s": 15.1}, True),
        ({"since_open_s": 15.0}, False),  # the switch had opened just before
    ],
)
def test_what_let_go_or_had_no_place_to_go_is_set_aside(braking: dict[str, float], kept: bool) -> None:
    rec = braked(braking)
    assert held(rec, judged(rec)).height == kept


def test_an_opening_under_load_beside_a_braking_sets_it_aside() -> None:
    """Brakings at 120, 240 and 360 s; the switch opened at 230 s."""
    rec = braked({}, {}, {})
    opened = record(one_session(0, "ride", Event("contactor_opened_loaded", 230_000_000, 231_000_000)))
    both = record(one_session(0, "ride", *_events(rec), *_events(opened), hours=0.2))
    kept = held(both, judged(both))
    begin = both.sessions["start_t"][0]
    assert [(t - begin).total_seconds() for t in kept["start_t"]] == [120.0, 360.0]


def _events(rec: object) -> list[Event]:
    rows = rec.events.to_dicts()  # type: ignore[attr-defined]
    begin = rec.sessions["start_t"][0]  # type: ignore[attr-defined]
    return [
        Event(
            row["kind"],
            round((row["start_t"] - begin).total_seconds() * 1e6),
            round((row["end_t"] - begin).total_seconds() * 1e6),
            row["item"],
            {p["key"]: p["value"] for p in row["data"]},
        )
        for row in rows
    ]


@pytest.mark.parametrize(
    ("braking", "unexplained"),
    [
        (refused("full"), 0.0),
        (refused("unreasoned"), 18.4),  # 20 A less the tolerance of 1.6 A
        (refused("undelivered", 12.0), 6.4),
        (refused("unreasoned", soc_pct=NAN), None),  # a full pack that nobody recorded may be the reason
        (refused("unreasoned", soc_pct=NAN, cell_max_v=3.3), 18.4),
        (refused("unreasoned", cell_min_c=NAN), None),
        (refused("undelivered", 12.0, cell_min_c=NAN), 6.4),  # allowed and not delivered: no state excuses that
        (refused("unreasoned", 16.6, cell_min_c=NAN), 1.8),  # under a tenth of the demand
    ],
)
def test_what_is_unexplained(braking: dict[str, float], unexplained: float | None) -> None:
    found = with_unexplained(table(braked(braking)))["unexplained_a"].to_list()
    assert found == [pytest.approx(unexplained) if unexplained is not None else None]
    assert accounted(braked(braking)).height == (unexplained is not None)


@pytest.mark.parametrize(
    ("brakings", "words"),
    [
        ([refused("undelivered", 12.0)] * 2, "the limits allowed it, the drive did not deliver it"),
        ([refused("unreasoned", 12.0)] * 2, "a limiter withheld it"),
        ([refused("unreasoned", 12.0, charge_limit_a=9.0)] * 2, "the battery management system withheld it"),
        ([refused("unreasoned", 12.0, charge_limit_a=11.0)] * 2, "a limiter withheld it"),
    ],
)
def test_who_withheld_it(brakings: list[dict[str, float]], words: str) -> None:
    assert by_whom(table(braked(*brakings))).startswith(words)


def test_the_newest_brakings_of_thirty_days() -> None:
    rec = braked(*[{}] * 5)
    assert table(rec).height == 5
    assert table(rec, most=2)["start_t"].to_list() == table(rec)["start_t"].to_list()[-2:]
