"""Global risk of a test: of all units of the production, how many would be accepted though they lie outside, and how
many not accepted though they lie inside.

The chance beside a value speaks of this unit, by its own measurement alone (specific risk). These two speak of the test
and the line together, before a unit is measured: they need the spread of the production, which earlier tests in the
store give. From the variance of what was measured the mean variance of measuring is taken off; what is left is that of
the units.

Source: JCGM 106:2012, section 9; from memory, see science/conformity.py.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.bench.acceptance.accept import Acceptance
from herdbook.pipeline.bench.acceptance.units import factor
from herdbook.pipeline.bench.acceptance.verdicts import Judged
from herdbook.pipeline.science.conformity import GlobalRisk, sampled_risk
from herdbook.pipeline.science.normal_samples import normality
from herdbook.pipeline.store.statements import ask, has

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store

LEAST = 20  # units; as for the baseline of a control chart
RARE = 0.05
Spread = dict[tuple[str, str, str], list[tuple[str, float, float]]]  # step, measured, item: unit, value, error


@dataclass(frozen=True, slots=True)
class Production:
    """The other units of one value, in the plan's unit. sd: of the units themselves, without the error of measuring.
    risk: None where it is not assessable, and `lacking` says why. odd: their values do not look normal."""

    units: int
    mean: float | None
    sd: float | None
    risk: GlobalRisk | None
    lacking: str = ""
    odd: bool = False


def productions(store: Store | None, found: Acceptance) -> list[list[Production]]:
    """Of every step its values, in the order of their rows."""
    spread = _spread(store, found) if store is not None else None
    return [[_of(row, step.step.name, spread) for row in step.rows] for step in found.steps]


def _spread(store: Store, found: Acceptance) -> Spread:
    out: Spread = defaultdict(list)
    with store.read() as con:
        if has(con, "acceptance_checks"):
            for row in ask(con, __name__, "production", profile=found.profile, vehicle=found.vehicle):
                key = row["step"], row["measured"], row["item"]
                out[key].append((row["unit"], row["value"], row["se"]))
    return out


def _of(row: Judged, step: str, spread: Spread | None) -> Production:
    if row.value is None or row.se is None:
        return _none("it was not measured here, or its error is not known")
    if row.se == 0:
        return _none("it is counted: nothing is measured wrong")
    if row.conforms is None:
        return _none("its value was not held against the limits here")
    if row.accept is None:
        return _none("its error is too large for its limits: no value would be accepted")
    if spread is None:
        return _none("that needs a store with earlier tests (--store)")
    known = []
    for unit, value, se in spread.get((step, row.check.measured, row.item), ()):
        try:
            scale = factor(unit, row.check.unit)
        except ValueError:
            continue  # an earlier plan measured it as another quantity
        known.append((value * scale, se * scale))
    return of_values(row, known)


def of_values(row: Judged, known: list[tuple[float, float]]) -> Production:
    """known: value and standard error of other units, in the plan's unit. row: with an error and limits that it can be
    accepted by."""
    if len(known) < LEAST:
        return _none(f"{LEAST} other units with this value are needed, the store has {len(known)}", len(known))
    values, errors = np.array(known, dtype=np.float64).T
    mean, seen = float(values.mean()), float(values.var(ddof=1))
    own = seen - float((errors**2).mean())
    if own <= 0:
        return _none("its units differ by no more than the error of measuring them", len(known))
    assert row.se is not None
    assert row.accept is not None
    risk = sampled_risk(mean, sqrt(own), len(known), row.se, row.check.limits, row.accept)
    return Production(len(known), mean, sqrt(own), risk, odd=normality(values) < RARE)


def _none(lacking: str, units: int = 0) -> Production:
    return Production(units, None, None, None, lacking)
