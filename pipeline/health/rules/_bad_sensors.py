"""Cell sensors that the rule on sensors does not believe: every other rule leaves them out."""

from __future__ import annotations

from herdbook.pipeline.health.rule import Finding, NotAssessed, Record
from herdbook.pipeline.health.rules.temp_sensor_fault import RULE


def bad_cell_sensors(record: Record, warm: bool = True) -> set[str]:
    """Their numbers, as items of the metrics about single sensors have them. warm: those that read too warm as well:
    who looks for heat must not take a hot place for a wrong sensor."""
    said = record.once("bad cell sensors", lambda: _bad(record))
    return {f.item.removeprefix("cell ") for f in said if warm or f.unit != "K" or f.measured < 0}


def _bad(record: Record) -> list[Finding]:
    own = {x.name: record.profile.limits.get(f"{RULE.id}.{x.name}", x.value) for x in RULE.limits}
    said = RULE.judge(record, own)
    if isinstance(said, NotAssessed):
        return []
    return [f for f in said if f.item.startswith("cell ")]
