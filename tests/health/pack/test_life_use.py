"""A pack's whole use: cycles across sessions, ageing, efficiency; figures worked by hand or counted by other code."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import polars as pl
import pytest
import rainflow as other_rainflow

from herdbook.pipeline.health.examples import one_session, profile, record
from herdbook.pipeline.health.pack.life_use import MEANING, LifeUse, life_use
from herdbook.pipeline.health.rule import Record
from herdbook.pipeline.metrics import pack_bands, pack_exposure
from herdbook.pipeline.vehicle.record import Event, Metric, Session
from herdbook.pipeline.vehicle.signals import Series, Signals
from tests.health.pack.trips import session, soc, trip

HOUR = 3_600_000_000


def use(rec: Record) -> LifeUse:
    return life_use(rec.metrics, rec.events)


def turns(*levels: float) -> list[Event]:
    return [Event("charge_turn", k * 60_000_000, k * 60_000_000, "", {"level_pct": v}) for k, v in enumerate(levels)]


def figure(found: LifeUse, name: str, item: str = "") -> Metric:
    rows = [f for f in found.figures if f.name == name and f.item == item]
    assert len(rows) == 1, [(f.name, f.item) for f in found.figures]
    return rows[0]


def test_a_cycle_spans_sessions_as_if_the_record_were_one() -> None:
    """95, 60, 75, 30, 100, 40, 55, 20, 90 %: ASTM E1049-85 counts 15 twice, 70 once, 65 and 80 half: 1.725 full
    cycles (worked by hand). Here every swing is a session of its own, counted from nothing each time."""
    walk = [95.0, 60, 75, 30, 100, 40, 55, 20, 90]
    parts = [one_session(k, "ride", *turns(0.0, b - a), *soc(a, b)) for k, (a, b) in enumerate(pairwise(walk))]
    found = use(record(*parts))
    assert figure(found, "life_full_cycles").value == pytest.approx(1.725)
    by_depth = {f.item: f.value for f in found.figures if f.name == "life_cycles"}
    assert by_depth == {"2-10 %": 0.0, "10-25 %": 2.0, "25-50 %": 0.0, "50-75 %": 1.5, "75-100 %": 0.5}
    assert figure(found, "life_unseen_pct").value == 0.0


def test_random_walks_equal_the_rainflow_package() -> None:
    """rainflow 3.2 shares no code with ours; it counts the whole walk at once, ours met it in pieces."""
    rng = np.random.default_rng(4)
    for _ in range(20):
        walk = rng.integers(0, 20, 40) * 5.0
        cuts = [0, *sorted(rng.choice(np.arange(2, 38), 4, replace=False)), 39]
        parts = []
        for k, (a, b) in enumerate(pairwise(cuts)):
            piece = walk[a : b + 1]
            parts.append(one_session(k, "ride", *turns(*(piece - piece[0])), *soc(piece[0], piece[-1])))
        expected = sum(size * n for size, n in other_rainflow.count_cycles(walk)) / 100
        assert figure(use(record(*parts)), "life_full_cycles").value == pytest.approx(expected)


def test_what_happened_unseen_is_said_and_counted() -> None:
    """Ridden from 90 to 50 %, then found at 95 %: a charge of 45 % that nobody recorded."""
    parts = [one_session(0, "ride", *turns(0, -40), *soc(90, 50)), one_session(1, "ride", *turns(0, -65), *soc(95, 30))]
    found = use(record(*parts))
    assert figure(found, "life_unseen_pct").value == pytest.approx(45.0)
    assert figure(found, "life_full_cycles").value == pytest.approx(0.5 * (40 + 45 + 65) / 100)


def test_without_reported_charge_sessions_follow_each_other() -> None:
    parts = [
        one_session(0, "ride", *turns(0, -40)),
        one_session(1, "charge", *turns(0, 40)),
        one_session(2, "ride", *turns(0, -40)),
    ]
    found = use(record(*parts))
    assert figure(found, "life_full_cycles").value == pytest.approx(0.6)
    assert "life_unseen_pct" in found.not_known


def test_ageing_hours_and_the_temperature_that_ages_as_much() -> None:
    """60, 30 and 10 hours at 25, 35 and 50 degC with 0.5 eV age as 161 hours at 25 degC, or 100 at 32.5 degC (hand
    calculation with k = 8.617e-5 eV/K, NIST/SEMATECH e-Handbook 8.1.5.1)."""
    factors = (1.0, 1.8807, 4.5056)  # exp(0.5 / k (1/298.15 - 1/T))
    parts = [
        one_session(
            3 * k,
            "ride",
            Metric("session_h", h, "h"),
            Metric("pack_hours", h, "h"),
            Metric("pack_age_hours_25c", h * f, "h"),
            Metric("temp_hours", h, "h", item=band),
            hours=h,
        )
        for k, (h, f, band) in enumerate(
            zip((60.0, 30.0, 10.0), factors, ("10 to 25 degC", "25 to 35 degC", "45 to 60 degC"), strict=True)
        )
    ]
    found = use(record(*parts))
    assert figure(found, "life_age_h_25c").value == pytest.approx(161, abs=1)
    assert figure(found, "life_age_temp_c").value == pytest.approx(32.5, abs=0.05)
    assert figure(found, "life_recorded_h").value == 100.0
    assert figure(found, "life_span_h").value == pytest.approx(6 * 24 + 10)
    assert [f.item for f in found.figures if f.name == "life_temp_h"] == [
        "10 to 25 degC",
        "25 to 35 degC",
        "45 to 60 degC",
    ]
    assert "life_voltage_h" in found.not_known


def test_round_trip_by_hand() -> None:
    """After `full` 50 Wh more go in, then 1100 out and 200 back while riding, then 1000 in until full again: 1100 out
    of 1250 Wh is 0.88. Anchors of 1 % each, and two gaps that the report cannot tell from 0.5 %, are 23.7 of 1500 Wh, a
    zero error of 0.05 A over 3 h at 50 V 7.5 Wh: 24.9 of 1250 Wh is 0.0199."""
    found = use(trip(session(1, "ride", 1100, 200, *soc(100, 30))))
    value = figure(found, "life_round_trip")
    assert value.value == pytest.approx(0.88)
    assert value.se == pytest.approx(0.0199, abs=0.0001)
    assert value.n == 1


def bands(way: str, *volts: float, ah: float = 3.0, low: int = 40) -> list[Metric]:
    """A pass through bands of ten per cent from `low` up, at these voltages."""
    names = [f"{way} {low + 10 * k}..{low + 10 * k + 10} %" for k in range(len(volts))]
    return [
        m
        for name, v in zip(names, volts, strict=True)
        for m in (Metric("pack_band_ah", ah, "Ah", item=name), Metric("pack_band_v", v, "V", item=name))
    ]


def test_voltage_efficiency_by_hand() -> None:
    """38.5 and 39.0 V in a ride through 40 to 60 %, 40, 40.2 and 40.4 V in a charge through 40 to 70 %: 3 Ah each make
    232.5 of 240.6 Wh, 0.9663. The voltage rises by 0.02 V a per cent: 4.2 % of error are 0.084 of 40.1 V, 0.0021."""
    parts = [
        one_session(0, "ride", *bands("out", 38.5, 39.0)),
        one_session(1, "charge", *bands("in", 40.0, 40.2, 40.4)),
    ]
    found = figure(use(record(*parts)), "life_voltage_efficiency")
    assert found.value == pytest.approx(232.5 / 240.6)
    assert found.se == pytest.approx(0.0021, abs=5e-5)
    assert found.n == 2
    assert found.coverage == pytest.approx(0.2)


def test_voltage_efficiency_shows_how_rides_differ() -> None:
    """Jackknife of three rides of equal charge is the standard error of their mean: 38, 38.5 and 39 V scatter by 0.5 V,
    over sqrt(3) and 40 V that is 0.0072."""
    parts = [one_session(k, "ride", *bands("out", v)) for k, v in enumerate((38.0, 38.5, 39.0))]
    parts.append(one_session(3, "charge", *bands("in", 40.0, 40.0, 40.0)))
    found = figure(use(record(*parts)), "life_voltage_efficiency")
    assert found.value == pytest.approx(38.5 / 40)
    assert found.se == pytest.approx(0.5 / np.sqrt(3) / 40)


@pytest.mark.parametrize(
    ("parts", "word"),
    [
        ([("charge", bands("in", 40, 40, 40))], "no ride"),
        ([("ride", bands("out", 39))], "no charge"),
        ([("ride", bands("out", 39)), ("charge", bands("in", 40, 40))], "fewer than 3 bands"),
        ([("ride", bands("out", 39, low=10)), ("charge", bands("in", 40, 40, 40))], "no ride on record passes enough"),
        ([("ride", bands("out", 39, ah=0.2)), ("charge", bands("in", 40, 40, 40))], "no ride on record passes enough"),
    ],
)
def test_voltage_efficiency_says_what_is_missing(parts: list[tuple[str, list[Metric]]], word: str) -> None:
    seen = record(*(one_session(k, kind, *found) for k, (kind, found) in enumerate(parts)))
    assert word in use(seen).not_known["life_voltage_efficiency"]


def test_bands_by_hand() -> None:
    """Forty minutes at 18 A from 55 to 35 %, 40 V above 45 % and 39 V under it: 6 Ah by the side of braking current,
    which is no part of it. A charge with the same current counts the other way round."""
    t = np.arange(0, 2400, 1, dtype=np.int64) * 1_000_000
    soc_pct = np.linspace(55, 35, t.size)
    amps = np.full(t.size, 18.0)
    amps[::10] = -12.0
    volts = np.where(soc_pct >= 45, 40.0, 39.0)
    roles = {"pack_current": amps, "pack_voltage": volts, "pack_soc": soc_pct}
    signals = Signals("x", 0, 2_400_000_000, {(role, ""): Series(t, v) for role, v in roles.items()})

    def found(kind: str) -> dict[tuple[str, str], float]:
        metrics = pack_bands.SET.compute(Session("x", kind, 0, 2_400_000_000), signals, profile()).metrics
        return {(m.name, m.item): m.value for m in metrics}

    ride, charge = found("ride"), found("charge")
    assert ride["pack_band_ah", "out 40..50 %"] == pytest.approx(18 * 0.9 * 1200 / 3600, rel=2e-3)
    assert ride["pack_band_v", "out 40..50 %"] == pytest.approx(39.5, abs=0.01)
    assert ride["pack_band_v", "out 50..60 %"] == pytest.approx(40.0)
    assert ride["pack_band_v", "out 30..40 %"] == pytest.approx(39.0)
    assert {item for _, item in charge} == {f"in {band} %" for band in ("30..40", "40..50", "50..60")}
    assert charge["pack_band_ah", "in 40..50 %"] == pytest.approx(12 * 0.1 * 1200 / 3600, rel=2e-2)


def test_an_empty_record_knows_nothing_and_says_so() -> None:
    found = use(record(one_session(0, "ride")))
    assert found.figures == ()
    assert set(found.not_known) == set(MEANING) - {"life_span_h"}


def test_both_forms_of_events_read_alike() -> None:
    """The catalogue's reports carry keys and numbers, rules a list of pairs."""
    rec = record(one_session(0, "ride", *turns(0, -40, 0), *soc(90, 90)))
    other = rec.events.with_columns(
        keys=pl.col("data").list.eval(pl.element().struct.field("key")),
        numbers=pl.col("data").list.eval(pl.element().struct.field("value")),
    ).drop("data")
    assert life_use(rec.metrics, other) == use(rec)


def test_a_slow_sensor_is_still_a_record() -> None:
    """A charge of an hour whose temperatures come once a minute, as a sleeping bus sends them: an hour at 20 degC."""
    t = np.arange(0, 3600, 60, dtype=np.int64) * 1_000_000
    signals = Signals(
        "x",
        0,
        HOUR,
        {("pack_current", ""): Series(t, np.full(t.size, -10.0)), ("cell_temp", 1): Series(t, np.full(t.size, 20.0))},
    )
    found = pack_exposure.SET.compute(Session("x", "charge", 0, HOUR), signals, profile())
    assert {m.name: m.value for m in found.metrics}["pack_hours"] == pytest.approx(59 / 60)
