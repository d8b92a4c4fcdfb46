"""Global risk on a certificate: from the spread of other units in the store, or said as not assessable."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from math import sqrt
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from typer.testing import CliRunner

from herdbook.pipeline.bench.acceptance.measure import Value
from herdbook.pipeline.bench.acceptance.production import LEAST, of_values
from herdbook.pipeline.bench.acceptance.verdicts import judge
from herdbook.pipeline.cli import build
from herdbook.pipeline.science.conformity import Limits
from herdbook.pipeline.store.connection import transaction
from herdbook.pipeline.store.publish import publish
from herdbook.pipeline.store.store import Store
from tests.acceptance.plans import UP_TO_TEN, check, step, written
from tests.night.tables import insert

ROOT = Path(__file__).parents[2]
RIDE = ROOT / "demo_logs" / "fleet" / "ZB-0101_2026-03-23_ride.blf"
HELD = replace(UP_TO_TEN, name="speed_apart_pct", limits=Limits(-2.0, 2.0), unit="%")


def spread(n: int, sd: float, mean: float = 0.0) -> list[float]:
    """Values as a normal law would have them at even steps, with exactly this mean and standard deviation."""
    at = stats.norm.ppf((np.arange(n) + 0.5) / n)
    return list(mean + sd * (at - at.mean()) / at.std(ddof=1))


def test_the_error_of_measuring_is_taken_off_the_spread() -> None:
    row = judge(HELD, Value("", 0.1, 0.3, 9, 1.0), least_coverage=0.9)
    found = of_values(row, [(v, 0.3) for v in spread(400, 0.5)])
    assert found.sd == pytest.approx(0.4, abs=1e-9)  # 3, 4, 5
    assert found.risk is not None
    assert found.risk.conforms == pytest.approx(1 - 2 * stats.norm.sf(2 / (0.4 * sqrt(1 + 1 / 400))), abs=1e-6)


def test_both_risks_are_those_of_drawn_units() -> None:
    """Units drawn about the mean, measured, and accepted inside of the guard band."""
    row = judge(HELD, Value("", 0.1, 0.3, 9, 1.0), least_coverage=0.9)
    assert row.accept is not None
    found = of_values(row, [(v, 0.3) for v in spread(400, 1.0, mean=0.7)])
    assert found.risk is not None
    rng = np.random.default_rng(3)
    true = 0.7 + sqrt(1 - 0.09) * rng.standard_normal(2_000_000)
    read = true + 0.3 * rng.standard_normal(true.size)
    low, high = row.accept.ends
    taken, good = (read >= low) & (read <= high), np.abs(true) <= 2
    assert found.risk.accepted_bad == pytest.approx(float((taken & ~good).mean()), rel=0.05)
    assert found.risk.rejected_good == pytest.approx(float((~taken & good).mean()), rel=0.03)


@pytest.mark.parametrize(
    ("values", "said"),
    [
        (spread(LEAST - 1, 0.5), f"{LEAST} other units with this value are needed, the store has 19"),
        (spread(LEAST, 0.2), "differ by no more than the error of measuring them"),
    ],
)
def test_what_is_not_assessable_is_said(values: list[float], said: str) -> None:
    row = judge(HELD, Value("", 0.1, 0.3, 9, 1.0), least_coverage=0.9)
    found = of_values(row, [(v, 0.3) for v in values])
    assert found.risk is None
    assert said in found.lacking


def entered(store: Store, vehicle: str, value: float, unit: str = "%", profile: str = "zirbel") -> None:
    t = datetime(2026, 1, 5) + timedelta(hours=len(vehicle))
    about = {"vehicle": vehicle, "verdict": "passed", "logs": [vehicle], "entered_t": t, "from_t": t, "to_t": t}
    with transaction(store.catalogue) as con:
        insert(con, "acceptances", acceptance=vehicle, day=t.date(), line="", who="", profile=profile, **about)
        insert(
            con,
            "acceptance_checks",
            acceptance=vehicle,
            no=1,
            step="ride",
            measured="speed_apart_pct",
            item="",
            value=value,
            se=0.1,
            unit=unit,
        )


def test_the_certificate_says_it_when_the_store_has_units_enough(tmp_path: Path) -> None:
    store = Store.create(tmp_path / "store", ROOT / "dbc_demo")
    for n, value in enumerate(spread(24, 0.5), start=1):
        entered(store, f"unit {n}", value)
    entered(store, "ZB-0101", 50.0)  # itself
    entered(store, "of another kind", 50.0, profile="saumer")
    entered(store, "by another quantity", 50.0, unit="V")
    publish(store)
    plan = written(tmp_path, step("ride"), check("speed_apart_pct", "%", low="-2", high="2", least_coverage="0.5"))
    page = tmp_path / "c.html"
    words = ["accept", str(RIDE), "--plan", str(plan), "--store", str(store.folder), "--out", str(page)]
    done = CliRunner().invoke(build(), words, env={"COLUMNS": "400"})
    assert done.exit_code == 0, done.output
    assert "Over the production: by 24 other units in the store" in done.output
    text = page.read_text("utf-8")
    assert "Risk over the production</h2>" in text
    assert "Not assessable" not in text


def test_without_a_store_it_is_said_as_not_assessable(tmp_path: Path) -> None:
    plan = written(tmp_path, step("ride"), check("speed_apart_pct", "%", low="-2", high="2", least_coverage="0.5"))
    page = tmp_path / "c.html"
    words = ["accept", str(RIDE), "--plan", str(plan), "--profile", str(ROOT / "dbc_demo"), "--out", str(page)]
    done = CliRunner().invoke(build(), words)
    assert done.exit_code == 0, done.output
    assert "Not assessable: that needs a store with earlier tests (--store)." in page.read_text("utf-8")
