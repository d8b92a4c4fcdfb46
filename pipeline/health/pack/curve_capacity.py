"""Capacity of each group over its siblings' from charges that were neither begun empty nor ended full.

Each charge tells it with its own error (metrics/cell_capacity.py); here the charges since the last step are one figure.
"""

from __future__ import annotations

from collections.abc import Mapping

from herdbook.pipeline.health.newest_level import since_step
from herdbook.pipeline.health.pooled import Pooled, pooled
from herdbook.pipeline.health.rule import Record
from herdbook.pipeline.science.meta_analysis import Z95
from herdbook.pipeline.times import DAY, column_micros

DAYS = 45.0  # capacity moves within months (engineering choice)
OWN = 0.01  # two charges of one group differ by so much besides their errors: warmth (engineering choice)


def curve_capacities(record: Record) -> dict[str, Pooled]:
    """By group: its capacity over its siblings', a share."""
    return {item: since_step(p, OWN) for item, p in pooled(record, "cell_capacity_share", last_days=DAYS).items()}


def surely_within(groups: Mapping[str, Pooled], short: float) -> set[str]:
    """Groups that surely do not hold so much less than their siblings, a share."""
    return {item for item, p in groups.items() if 1.0 - p.value + Z95 * p.se < short}


def is_of_late(record: Record, groups: Mapping[str, Pooled], days: float) -> bool:
    """Whether the newest such charge lies in the record's last days."""
    newest = int(column_micros(record.sessions["end_t"]).max(initial=0))
    return any(p.ends.size and int(p.ends[-1]) >= newest - days * DAY for p in groups.values())
