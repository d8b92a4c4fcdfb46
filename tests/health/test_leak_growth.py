"""A leak that grows by a known law, read with known noise: growth, its error and the date must come out."""

from __future__ import annotations

import re
from datetime import datetime, timedelta

import numpy as np
import pytest

from herdbook.pipeline.health.engine import apply
from herdbook.pipeline.health.examples import FIRST_DAY, one_session, record
from herdbook.pipeline.health.rule import Record
from herdbook.pipeline.health.rules.leak_growing import RULE
from herdbook.pipeline.vehicle.record import Metric

DAYS_A_MONTH = 30.4375


def pack(early: float, late: float, noise: float, seed: int, days: int = 84, every: int = 3) -> Record:
    """Twelve groups read every few days with normal noise; group 7 loses early..late % a month, rising evenly.

    Its place after d days is the integral of the loss: -(early d + (late - early) d^2 / 2 / days) / days a month."""
    rng = np.random.default_rng(seed)
    out = []
    for d in np.arange(0, days, every):
        place = -(early * d + (late - early) * d**2 / 2 / days) / DAYS_A_MONTH
        values = rng.normal(0, noise, 12) + np.where(np.arange(12) == 6, place, 0.0)
        parts = [Metric("cell_offset_top_pct", v, "%", noise, 500, item=str(g + 1)) for g, v in enumerate(values)]
        out.append(one_session(float(d), "charge", *parts))
    return record(*out)


@pytest.mark.parametrize("seed", range(5))
def test_growth_and_its_date(seed: int) -> None:
    """From 0.5 to 6.5 % a month over 84 days: 2.17 % a month each month; 8 % is reached 105 days after the start."""
    said = apply(RULE, pack(0.5, 6.5, 0.1, seed))
    assert isinstance(said, list)
    assert [f.item for f in said] == ["cell 7"]
    finding = said[0]
    truth = 6.0 / (84 / DAYS_A_MONTH)
    assert finding.se is not None
    assert finding.measured == pytest.approx(truth, abs=3 * finding.se)
    assert finding.measured == pytest.approx(truth, rel=0.2)
    assert finding.severity == "note"
    dates = [datetime.fromisoformat(x) for x in re.findall(r"\d{4}-\d\d-\d\d", finding.statement)]
    reached = (FIRST_DAY + timedelta(days=84 * 7.5 / 6.0)).replace(tzinfo=None)
    assert dates[0] < reached < dates[1] + timedelta(days=1)


@pytest.mark.slow
def test_a_still_leak_and_a_sound_pack_are_no_growth() -> None:
    """150 sound packs and 150 with a steady leak of 4 % a month, twelve groups each: at most one false word."""
    false = sum(bool(apply(RULE, pack(leak, leak, 0.15, seed, days=60))) for leak in (0.0, 4.0) for seed in range(150))
    assert false <= 1


def test_the_error_is_honest() -> None:
    """Of 60 records about 95 % must lie within two standard errors of the truth."""
    truth = 6.0 / (84 / DAYS_A_MONTH)
    hits = 0
    for seed in range(60):
        said = apply(RULE, pack(0.5, 6.5, 0.1, seed + 100))
        assert isinstance(said, list)
        hits += bool(said) and abs(said[0].measured - truth) < 2 * (said[0].se or 0.0)
    assert hits >= 53
