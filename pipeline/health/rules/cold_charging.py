"""Charge that went into a cold pack, from the charger or from braking.

Physics: in the cold, graphite takes up lithium slowly; charge current then plates lithium metal on the anode, which
costs capacity for good and can grow into a short. Short braking pulses do little; so the charge is summed.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import also_found, over, under
from herdbook.pipeline.health.pack.charge_ledger import sensor_zero
from herdbook.pipeline.health.reading import event_table, metric_rows, only, recent, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.sentences import counted
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.times import column_micros
from herdbook.pipeline.vehicle.record import Event, Metric

UNIT = "% of rated charge in one session"
LIMITS = (
    Limit("look", 2.0, UNIT, "engineering choice: under that, short braking pulses"),
    Limit("act", 10.0, UNIT, "engineering choice: a real charge in the cold"),
    Limit("days", 90.0, "days", "engineering choice: a season"),
    Limit("least_coverage", 0.8, "share", "engineering choice: share of charging with a known temperature"),
)


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    rows = metric_rows(record, "cold_charge_ah")
    rows = only(rows, rows["coverage"].to_numpy() >= limits["least_coverage"])
    if not rows.height:
        return NotAssessed("charging was never recorded together with a cell temperature")
    rated = record.profile.pack_figures.rated_ah
    rows = recent(rows, limits["days"])
    cold = _of_the_cells(record, rows, rated)
    cold = only(cold, cold["pct"].to_numpy() - cold["pct_se"].to_numpy() > limits["look"])
    if not cold.height:
        return []
    worst = cold.sort("pct", descending=True)
    most, total = float(worst["pct"][0]), float(cold["ah"].sum())
    act = most > limits["act"]
    floor = record.profile.pack_figures.charge_min_c
    events = event_table(record, "cold_charge", ("charge_ah", "peak_a"))
    peak = events["peak_a"].max() if events.height else None
    said = f", up to {peak:.0f} A" if isinstance(peak, float) else ""
    return [
        Finding(
            severity=Severity.SERVICE if act else Severity.NOTE,
            item="",
            measured=most,
            limit=limits["act"] if act else limits["look"],
            unit=UNIT,
            se=max(float(worst["pct_se"][0]), 0.05 * most),
            statement=f"In {counted(cold.height, 'session')} {total:.1f} Ah went in while the coldest sensor read "
            f"under {floor:g} °C{said}; most in one session: {most:.1f} % of rated charge.",
            confidence=0.95,
            persistence=cold.height / rows.height,
            count=cold.height,
            duration_s=float((cold["end_t"] - cold["start_t"]).dt.total_seconds().sum()),
            windows=windows(events, "charge_ah") if events.height else windows(worst, "pct"),
            signals=("pack_current", "cell_temp", "charge_limit", "regen_current"),
            not_separable="",
        )
    ]


def _of_the_cells(record: Record, rows: pl.DataFrame, rated: float) -> pl.DataFrame:
    """With ah and pct of rated charge, and pct_se: less what the current sensor's zero has counted in that time."""
    zero = sensor_zero(record.metrics)
    seconds = metric_rows(record, "cold_charge_s")
    lasted = dict(zip(column_micros(seconds["start_t"]).tolist(), seconds["value"].to_list(), strict=True))
    hours = np.array([lasted.get(t, 0.0) / 3600 for t in column_micros(rows["start_t"]).tolist()])
    value = rows["value"].to_numpy()
    ah = np.maximum(value + zero.amps * hours, 0.0)
    se = np.sqrt((0.02 * value) ** 2 + (zero.se * hours) ** 2)
    told = {"ah": ah, "pct": 100 * ah / rated, "pct_se": 100 * se / rated}
    return rows.hstack([pl.Series(name, values) for name, values in told.items()])


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import ExampleSession, one_session, record

    def session(day: float, ah: float, coverage: float = 1.0) -> ExampleSession:
        event = Event("cold_charge", 0, 600_000_000, "", {"charge_ah": ah, "peak_a": 15.0, "limit_c": 0.0})
        return one_session(
            day,
            "charge",
            Metric(name="cold_charge_ah", value=ah, unit="Ah", se=0.02 * ah, n=3000, coverage=coverage),
            *([event] if ah else []),
        )

    return Cases(
        fires_on=(record(session(0, 6.0), session(2, 0.0)), record(session(0, 0.9))),
        quiet_on=(record(session(0, 0.0), session(1, 0.2)),),
        unassessed_on=(record(session(0, 6.0, coverage=0.2)), record(one_session(0, "charge"))),
    )


RULE = Rule(
    id="cold_charging",
    title="Charged below its temperature limit",
    subsystem="charging",
    severity=Severity.SERVICE,
    when=(
        (Severity.SERVICE, "more charge in one session below the limit than `act`"),
        (Severity.NOTE, "less"),
    ),
    needs=("cold_charge_ah",),
    roles=("pack_current", "cell_temp"),
    limits=LIMITS,
    judge=judge,
    meaning="Charge went into cells colder than their limit. Each time some lithium may be lost as metal, which costs "
    "capacity and can grow into a short. The coldest sensor is not the coldest cell.",
    causes=(
        Cause("charged outdoors or straight after a cold ride", under("ambient_temp", 5.0, "the air", rules_out=False)),
        Cause(
            "the electronics do not hold charge or regeneration back in the cold",
            over("charge_limit", 1.0, "the charge current that the pack allows", rules_out=False),
        ),
        Cause("a temperature sensor reads too low", also_found("temp_sensor_fault")),
    ),
    bench=(
        "check with the service tool that the charge permission is withdrawn below the limit",
        "measure capacity and self-discharge and compare with earlier figures",
    ),
    cautions=(
        "A pack that was charged in the cold may hold plated lithium: watch it while charging, away from exits.",
    ),
    source=("mechanism: T. Waldmann et al., J. Power Sources 262 (2014) 129, doi:10.1016/j.jpowsour.2014.03.112"),
    cases=_cases,
    version=2,  # less what the zero of the current sensor counts
)
