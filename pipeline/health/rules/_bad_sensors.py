"""Sensors that the rule on sensors does not believe: every other rule leaves them out."""

from __future__ import annotations

from herdbook.pipeline.health.reading import metric_rows
from herdbook.pipeline.health.rule import Finding, NotAssessed, Record
from herdbook.pipeline.health.rules._warm_place import Says, began, siblings_of, warm_place
from herdbook.pipeline.health.rules._wrong_sensor import apart
from herdbook.pipeline.health.rules.temp_sensor_fault import RULE


def bad_cell_sensors(record: Record, warm: bool = True) -> set[str]:
    """Their numbers, as items of the metrics about single sensors have them. warm: those that read too warm as well:
    who looks for heat must not take a hot place for a wrong sensor."""
    said = record.once("bad cell sensors", lambda: _bad(record))
    return {f.item.removeprefix("cell ") for f in said if warm or f.unit != "K" or f.measured < 0}


def bad_drive_sensors(record: Record, family: str) -> set[str]:
    """Sides whose sensor of this family ("motor", "fet") is open, shorted, missing, jumping or still. One that is off
    by some kelvin stays: its rises are right."""
    said = record.once("bad sensors", lambda: _every(record))
    return {f.item.removeprefix(f"{family} ") for f in said if f.item.startswith(f"{family} ") and f.unit != "K"}


def kept_warm(record: Record) -> list[Finding]:
    """Places that stand high in a pack that is warm around them, the warmest first, as findings of heat."""
    bad, limits = {f.item for f in record.once("bad cell sensors", lambda: _bad(record))}, _limits(record)
    items = sorted(set(metric_rows(record, "temp_apart_least_k")["item"].to_list()) - bad)
    high = [f for item in items if (f := apart(record, item, limits)) is not None and f.measured > 0]
    places = [(f, siblings_of(record, f.item, began(f), but=bad)) for f in high]
    hot = [(f, beside) for f, beside in places if beside.say(limits) is Says.HEAT]
    return [warm_place(f, beside, limits) for f, beside in sorted(hot, key=lambda pair: -pair[0].measured)]


def _limits(record: Record) -> dict[str, float]:
    return {x.name: record.profile.limits.get(f"{RULE.id}.{x.name}", x.value) for x in RULE.limits}


def _every(record: Record) -> list[Finding]:
    said = RULE.judge(record, _limits(record))
    return [] if isinstance(said, NotAssessed) else said


def _bad(record: Record) -> list[Finding]:
    return [f for f in record.once("bad sensors", lambda: _every(record)) if f.item.startswith("cell ")]
