"""Pass, fail or not decided: a value with its error held against limits, with a guard band.

Decision rule (JCGM 106, the same as ISO/IEC Guide 98-4): a value is accepted where the chance that the quantity lies
outside its limits is at most the plan's risk, and fails where the chance that it lies inside is at most that. In
between nothing is decided, and the guard band says how far the value is from either. Nothing passes by default: without
an error, on a log that is cut, by too few readings, nothing is decided.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from math import hypot, inf

from herdbook.pipeline.bench.acceptance.measure import Value
from herdbook.pipeline.bench.acceptance.plan import Check
from herdbook.pipeline.health.sentences import SIGNS
from herdbook.pipeline.science.conformity import Limits, acceptance, conforming


class Verdict(StrEnum):
    """Of a value, a step and a unit."""

    PASSED = "passed"
    FAILED = "failed"
    OPEN = "not decided"


@dataclass(frozen=True, slots=True)
class Judged:
    """One value against its limits, all in the plan's unit. accept: limits less the guard band; None where the error is
    so large that no value would be accepted, or not known. conforms: chance that the quantity lies within its limits,
    None where it is not known. reason: why nothing is decided; "" else."""

    check: Check
    item: str
    value: float | None
    se: float | None
    n: int
    times: int
    accept: Limits | None
    conforms: float | None
    verdict: Verdict
    reason: str = ""

    @property
    def outside(self) -> float | None:
        """Chance that the quantity lies outside its limits: of wrong acceptance, were it accepted."""
        return None if self.conforms is None else 1.0 - self.conforms


def judge(check: Check, found: Value, *, least_coverage: float, in_doubt: str = "") -> Judged:
    """One value. in_doubt: why it must not pass whatever it is, as that its log is cut; "" for nothing."""
    value = found.value / check.scale
    measured = None if found.se is None else found.se / check.scale
    se, exact = _error(measured, check.error)

    def open_because(reason: str, conforms: float | None = None, accept: Limits | None = None) -> Judged:
        return Judged(check, found.item, value, se, found.n, found.times, accept, conforms, Verdict.OPEN, reason)

    if se is None:
        return open_because("its standard error is not known: the plan may state one as `error`, with where it is from")
    if se == 0 and not exact:
        return open_because("its readings are all alike, so that they tell no error: the plan may state one as `error`")
    if found.coverage < least_coverage:
        return open_because(
            f"only {found.coverage:.0%} of the time it needs is recorded, {least_coverage:.0%} are asked for"
        )
    dof = _freedom(found, se * check.scale)
    conforms, accept = conforming(value, se, check.limits, dof), acceptance(se, check.limits, check.risk, dof)
    if conforms <= check.risk:
        return Judged(check, found.item, value, se, found.n, found.times, accept, conforms, Verdict.FAILED)
    if conforms < 1 - check.risk:
        return open_because(_why_open(value, se, check, accept), conforms, accept)
    if in_doubt:
        return open_because(f"it would pass, but {in_doubt}", conforms, accept)
    return Judged(check, found.item, value, se, found.n, found.times, accept, conforms, Verdict.PASSED)


def missing(check: Check, item: str, reason: str) -> Judged:
    """What could not be measured at all."""
    return Judged(check, item, None, None, 0, 0, None, None, Verdict.OPEN, reason)


def together(verdicts: Iterable[Verdict]) -> Verdict:
    """One that failed fails all; one that is open leaves all open; none at all is open, too."""
    found = set(verdicts)
    if Verdict.FAILED in found:
        return Verdict.FAILED
    return Verdict.PASSED if found == {Verdict.PASSED} else Verdict.OPEN


def _error(measured: float | None, stated: float | None) -> tuple[float | None, bool]:
    """(standard error, is it exact by the plan's word): what the log tells and what the plan adds."""
    if stated is None:
        return measured, False
    if measured is None:
        return stated, stated == 0
    return hypot(measured, stated), stated == 0


def _freedom(found: Value, se: float) -> int | None:
    """Degrees of freedom of the whole error, by Welch and Satterthwaite (JCGM 100, G.4.1): what the plan states is well
    known, and only the scatter rests on few values."""
    if found.dof is None or not found.se:
        return None
    return max(1, int(found.dof * (se / found.se) ** 4))


def _why_open(value: float, se: float, check: Check, accept: Limits | None) -> str:
    if accept is None:
        return (
            f"its error is too large for these limits: at a risk of {100 * check.risk:g} % no value could be accepted"
        )
    low, high = check.limits.ends
    near = min(abs(value - low) if low > -inf else inf, abs(high - value) if high < inf else inf)
    side = "inside" if low <= value <= high else "outside"
    unit = SIGNS.get(check.unit, check.unit)
    return f"it lies {near:.3g} {unit} {side} a limit, within the guard band: {near / se:.1f} standard errors"
