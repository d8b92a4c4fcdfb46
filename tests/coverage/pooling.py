"""Sessions with known errors of their own and scatter between them that no error tells, pooled into one figure."""

from __future__ import annotations

from functools import partial

import numpy as np

from herdbook.pipeline.health.pooled import pool
from tests.coverage.case import Case, Draw, Rng

SESSIONS = (2, 3, 5, 9, 20)
SCATTERS = (0.0, 1.0, 3.0)  # between sessions, over the middle own error
NOTES = {
    (2, 0.0): "two sessions: the scatter is not known, and may be there",
    (2, 3.0): "two sessions that scatter by far more than they say",
    (3, 0.0): "never under what the own errors allow",
}


def _once(rng: Rng, sessions: int, scatter: float) -> list[Draw]:
    own = np.exp(rng.normal(0.0, 0.5, sessions))
    value, se = pool(rng.normal(0.0, np.hypot(own, scatter)), own)
    return [(value, se, 0.0)]


CASES = [
    Case(
        "pooled over sessions",
        f"{sessions} sessions, scatter {scatter:g} of the own error",
        partial(_once, sessions=sessions, scatter=scatter),
        note=NOTES.get((sessions, scatter), ""),
        cheap=True,
    )
    for sessions in SESSIONS
    for scatter in SCATTERS
]
