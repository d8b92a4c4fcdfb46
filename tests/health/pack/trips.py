"""A trip from one full charge to the next, for what is reckoned over it."""

from __future__ import annotations

from herdbook.pipeline.health.examples import one_session, record
from herdbook.pipeline.health.rule import Record
from herdbook.pipeline.times import HOUR
from herdbook.pipeline.vehicle.record import Event, Metric


def soc(start: float, end: float) -> list[Metric]:
    return [Metric("pack_soc_start_pct", start, "%"), Metric("pack_soc_end_pct", end, "%")]


def session(day: float, kind: str, out_wh: float, in_wh: float, *more: Metric | Event, whole: float = 1.0) -> object:
    """30 Ah of rated charge; energies at 50 V."""
    ah = [Metric("pack_out_ah", out_wh / 50, "Ah"), Metric("pack_in_ah", in_wh / 50, "Ah")]
    efc = Metric("pack_cycles_efc", (out_wh + in_wh) / 50 / 60, "1", 0.0)
    wh = [Metric("pack_out_wh", out_wh, "Wh", coverage=whole), Metric("pack_in_wh", in_wh, "Wh", coverage=whole)]
    return one_session(day, kind, *ah, efc, *wh, Metric("session_h", 1.0, "h"), *more, hours=1.0)


def full(out_wh: float, in_wh: float) -> Event:
    return Event(
        "charge_anchor",
        HOUR // 2,
        HOUR // 2,
        "full",
        {"soc_pct": 100, "se_pct": 1, "run_ah": 0, "out_wh": out_wh, "in_wh": in_wh},
    )


def trip(*rides: object) -> Record:
    first = session(0, "charge", 40, 1500, full(40, 1450), *soc(3, 100))  # 40 Wh went out before it was full
    last = session(9, "charge", 0, 1050, full(0, 1000), *soc(30, 100))
    return record(first, *rides, last)  # type: ignore[arg-type]
