"""What somebody needs to write rules and metrics of their own: herdbook help own has a whole example.

from herdbook.own import Finding, Limit, NotAssessed, Rule, Severity, metric_rows, windows
from herdbook.own import Metric, MetricSet, Outcome, Session, Signals, Subject
from herdbook.own import Cases, days, one_session, record, signals     # for a rule's cases and a metric set's tests

What stands in __all__ is public, as in `import herdbook`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from herdbook.pipeline.health.examples import days, one_session, record
from herdbook.pipeline.health.reading import event_table, metric_rows, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule, Window
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Event, Metric, Session
from herdbook.pipeline.vehicle.roles import ROLES
from herdbook.pipeline.vehicle.signals import Key, Series, Signals

__all__ = [
    "ROLES",
    "Cases",
    "Event",
    "Finding",
    "Limit",
    "Metric",
    "MetricSet",
    "NotAssessed",
    "Outcome",
    "Profile",
    "Record",
    "Rule",
    "Session",
    "Severity",
    "Signals",
    "Subject",
    "Window",
    "days",
    "event_table",
    "metric_rows",
    "one_session",
    "record",
    "signals",
    "windows",
]


def signals(step_s: float, **roles: Sequence[float] | Mapping[int | str, Sequence[float]]) -> Signals:
    """Signals made up for a test, one sample every step_s seconds from time 0 on.

    A role is a list of values in the role's unit, or a table of such lists by index:
    signals(0.1, pack_current=[0, 5, 9], motor_current={"left": [0, 2, 4], "right": [0, 2, 4]}).
    Raises: ValueError for a role that there is not, or lists of different lengths.
    """
    lists: dict[Key, np.ndarray[tuple[int], np.dtype[np.float64]]] = {}
    for role, given in roles.items():
        if role not in ROLES:
            raise ValueError(f"there is no role {role!r}")
        parts = given if isinstance(given, Mapping) else {"": given}
        lists |= {(role, item): np.asarray(values, np.float64) for item, values in parts.items()}
    lengths = {v.size for v in lists.values()}
    if len(lengths) != 1:
        raise ValueError("give every role as many values")
    n = lengths.pop()
    t = (np.arange(n) * round(step_s * 1e6)).astype(np.int64)
    end = n * round(step_s * 1e6)
    return Signals("example", 0, end, {key: Series(t, values) for key, values in lists.items()})
