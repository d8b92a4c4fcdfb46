"""A sensor that stands high in every session: a place that heat keeps warm, or a sensor that reads wrong?

Heat that keeps one place warm leaves through the rest of the pack, so that the places around it stand over the air as
well; the error of a sensor warms nothing. What tells is therefore not the sensor that stands high but its siblings,
held against what is not in the pack (motors, power stages, air), at the starts at which these agree with each other.
A pack cools within hours and motors within one, so that use shortly before makes a sound pack stand over them too, and
so does a warm room that it was brought from: the start at which it does so least is what counts. Where it was so at
each of them nothing recorded tells, and the finding says it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Set
from dataclasses import dataclass, replace
from enum import Enum

import polars as pl

from herdbook.pipeline.health.reading import days as days_of
from herdbook.pipeline.health.reading import metric_rows, seconds, windows
from herdbook.pipeline.health.rule import Finding, Record
from herdbook.pipeline.health.sentences import counted, spell
from herdbook.pipeline.health.severity import Severity

SURE_ALONE, SURE = 0.9, 0.97  # on one day, and on several: engineering choices
SENSOR_SD_K = 1.0  # of one sound sensor (engineering choice: two usual thermistors may differ by 3 K)
DECIDES = (
    "An independent thermometer on the pack at that place decides, after a night's rest with the pack disconnected by "
    "a qualified person: warmer than the rest there is heat. Until that is known it counts as heat."
)


class Says(Enum):
    """What the siblings say of a sensor that stands high."""

    HEAT = "heat"
    SENSOR = "sensor"
    OPEN = "open"


@dataclass(frozen=True, slots=True)
class Siblings:
    """How far the places beside a sensor stand over what is outside of the pack, at the start at which they do so
    least [K]; rows: the starts (start_t, end_t, value) at which it is known; none: 0."""

    over: float
    rows: pl.DataFrame

    @property
    def starts(self) -> int:
        return self.rows.height

    def say(self, limits: Mapping[str, float]) -> Says:
        """Between half of `outside` and all of it both can be."""
        if not self.starts or 0.5 * limits["outside"] <= self.over < limits["outside"]:
            return Says.OPEN
        return Says.HEAT if self.over >= limits["outside"] else Says.SENSOR


def siblings_of(record: Record, item: str, since: int = 0, but: Set[str] = frozenset()) -> Siblings:
    """item: "cell 3". since: microseconds UTC, when it began to stand high. but: sensors that are not believed."""
    rows = metric_rows(record, "temp_over_outside_k").filter(
        ~pl.col("item").is_in([item, *sorted(but)]), pl.col("start_t").dt.epoch("us") >= since
    )
    rows = rows.group_by("start_t", "end_t").agg(value=pl.col("value").median()).sort("start_t")
    least = rows["value"].min()
    return Siblings(least if isinstance(least, float) else 0.0, rows)


def began(finding: Finding) -> int:
    return min((w.start for w in finding.windows), default=0)


def told(finding: Finding, beside: Siblings, pair: bool, limits: Mapping[str, float]) -> Finding | None:
    """The word of a sensor that stands high; none where it is heat, which is another rule's word. Of more than two the
    siblings outvote it, so that it counts as heat only where they are warm."""
    says = beside.say(limits)
    if says is Says.HEAT:
        return None
    if not pair:
        return finding
    said = finding.statement.replace("its siblings", "the only other one").removesuffix(".")
    sure = min(finding.confidence, 0.95)
    if says is Says.SENSOR:
        return replace(
            finding,
            statement=f"{said}; the other one agrees with what is recorded of motors, power stages and air as a "
            f"session begins, so that this one reads wrong.",
            confidence=sure,
        )
    return replace(
        finding,
        severity=Severity.STOP_USE,
        statement=f"{said}: its place is warm, or one of the two reads wrong; two sensors do not tell which.",
        confidence=sure,
        not_separable="A place that makes heat of its own, or a sensor that reads wrong (this high or the other low). "
        + DECIDES,
    )


def warm_place(finding: Finding, beside: Siblings, limits: Mapping[str, float]) -> Finding:
    """The word of a place that stands warm in a pack that stands warm with it."""
    number = finding.item.removeprefix("cell ")
    days = days_of(beside.rows.with_columns(session_start_t="start_t"))
    text = f"In {counted(finding.count, 'session')} the place of sensor {number} stood "
    text += f"{spell(finding.measured, 'K', finding.se)} over the rest of the pack, and whenever what is recorded of "
    text += f"motors, power stages and air agreed ({counted(beside.starts, 'start')}) the rest itself stood "
    text += f"{spell(beside.over, 'K')} and more over them: the error of one sensor warms no pack, so that most likely "
    text += "something in it makes heat without load."
    return Finding(
        severity=Severity.STOP_USE,
        item=f"sensor {number}",
        measured=beside.over,
        limit=limits["outside"],
        unit="K",
        statement=text,
        se=SENSOR_SD_K * math.sqrt(2.0),  # the siblings' and what they are held against
        confidence=SURE if days >= 2 else SURE_ALONE,
        persistence=finding.persistence,
        count=finding.count,
        duration_s=seconds(beside.rows),
        windows=windows(beside.rows, "value"),
        signals=("cell_temp", "motor_temp", "fet_temp", "ambient_temp", "pack_current"),
        not_separable="Or a sensor that reads wrong, in a pack that was warm from use shortly before or had been "
        "brought from a warm room. " + DECIDES,
    )
