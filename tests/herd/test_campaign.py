"""Did a campaign help? Over invented vehicles whose truth is known, good cases and bad ones."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest

from herdbook.pipeline.errors import NotKnownError
from herdbook.pipeline.health.herd_figures import figure
from herdbook.pipeline.herd.campaign import CampaignEffect, campaign_effect
from tests.herd.books import T0, Con, catalogue, insert, installed, vehicle

UNTIL = T0 + timedelta(days=1000)
DAY = 300


def herd(con: Con, with_it: int, without: int, effect: float, apart: float = 0.0, seed: int = 1) -> None:
    """A value every fifth day of 400; those with it change by `effect` on day 300, and always by `apart` a day."""
    draw = np.random.default_rng(seed)
    for i in range(with_it + without):
        name, got = f"v{i:02d}", i < with_it
        vehicle(con, name)
        t = np.arange(0, 400, 5)
        y = 20 + draw.normal(0, 1) + np.sin(t / 50) + draw.normal(0, 0.5, t.size)
        y += got * (effect * (t >= DAY) + apart * t)
        con.execute(
            "INSERT INTO metrics SELECT ?, ? + to_days(5 * i::INT), 'consumption_wh_km', '', values[i + 1], 'Wh/km', "
            "NULL, 1, 1 FROM (SELECT unnest(range(0, 80)) AS i, ?::DOUBLE[] AS values)",
            [name, T0, y.tolist()],
        )
        if got:
            t0 = T0 + timedelta(days=DAY)
            given = {"kind": "campaign", "said": "Firmware 4.2 flashed", "zone": "UTC", "from_t": t0, "to_t": t0}
            insert(con, "service_book", entry=i, vehicle=name, **given)


def asked(con: Con, what: str = "firmware 4.2") -> CampaignEffect:
    return campaign_effect(con, what, figure("use"), until=UNTIL)


def test_an_effect_is_measured_and_placebos_are_quiet() -> None:
    con = catalogue()
    herd(con, 15, 25, effect=-2.0)
    found = asked(con)
    assert found.effect is not None
    assert found.effect.low < -2.0 < found.effect.high < 0
    assert (found.effect.treated, found.effect.controls, found.got, found.others) == (15, 25, 15, 25)
    assert len(found.placebos) == 3
    assert all((p.effect.treated, p.effect.controls) == (15, 25) for p in found.placebos)
    assert found.words == "lower with it than without: better"


def test_a_season_is_no_effect() -> None:
    """All go along the same wave, which moves by about 1 around that day."""
    con = catalogue()
    herd(con, 15, 25, effect=0.0, seed=3)
    found = asked(con)
    assert found.effect is not None
    assert abs(found.effect.change) > 0.3
    assert found.words == "no more than chance may give"


def test_ways_that_parted_before_allow_no_word() -> None:
    con = catalogue()
    herd(con, 15, 25, effect=0.0, apart=-0.02)
    found = asked(con)
    assert found.apart
    assert found.words == "cannot be told: those with and without it went apart before it already"


def test_without_controls_nothing_is_told() -> None:
    con = catalogue()
    herd(con, 15, 2, effect=-2.0)
    assert asked(con).words.startswith("not enough to say: 2 vehicles of the type without it")
    con = catalogue()
    herd(con, 3, 25, effect=-2.0)
    assert asked(con).words.startswith("not enough to say: 3 with and 25 without it")


def test_a_firmware_counts_from_when_a_bus_named_it_after_another() -> None:
    con = catalogue()
    herd(con, 12, 20, effect=-2.0)
    con.execute("DELETE FROM service_book")
    for i in range(32):
        installed(con, f"v{i:02d}", "controller_firmware", "41", 0)
        if i < 12:
            installed(con, f"v{i:02d}", "controller_firmware", "42", DAY)
    found = asked(con, "42")
    assert found.known_by == "the firmware that the controller named"
    assert found.words == "lower with it than without: better"
    with pytest.raises(NotKnownError, match="Known: 41, 42"):
        asked(con, "43")
