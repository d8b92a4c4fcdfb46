"""The certificate of a test as plain data: what was held against which limits, with which chance of being wrong.

It is a pure function of the test, of who tested where and when, and of the public key; sealed, and signed where it is
written to a file (certificate_file.py).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Any

from herdbook.pipeline.bench.acceptance.accept import Acceptance, StepResult
from herdbook.pipeline.bench.acceptance.figures import Figure, in_words
from herdbook.pipeline.bench.acceptance.plan import Check
from herdbook.pipeline.bench.acceptance.plan_fit import giver_of
from herdbook.pipeline.bench.acceptance.production import Production
from herdbook.pipeline.bench.acceptance.scenes import UnitLog
from herdbook.pipeline.bench.acceptance.verdicts import Judged
from herdbook.pipeline.reports.page import html
from herdbook.pipeline.reports.page.signature import sealed
from herdbook.pipeline.reports.words import cautions, names
from herdbook.pipeline.times import from_micros, stamp
from herdbook.pipeline.vehicle.roles import MOTORS, ROLES

FORM = "herdbook-certificate/1"
Document = dict[str, Any]
INDEXED = {"cell": "group {}", "sensor": "sensor {}", "side": "{} motor", "": "{}"}

READ_THIS = (
    "Passed: the chance that the true value lies outside its limits is at most the stated risk. Failed: the chance "
    "that it lies inside is at most that. Between them nothing is decided, and nothing passes by default. The guard "
    "band is how far inside its limit a value has to lie; it follows from the value's own standard error (decision "
    "rule after JCGM 106, the same as ISO/IEC Guide 98-4, taking the measured value as all that is known of the "
    "quantity).",
    "Standard errors are those of the measurement by the vehicle's own sensors, and what the plan adds for their "
    "calibration. What the sensors of one unit have in common, and nobody stated, is not in them.",
    "The limits are the maker's: who set each, and why, stands beside it. Whether they are the right ones is not "
    "judged here.",
)


def certificate(
    found: Acceptance,
    name: str,
    *,
    line: str = "",
    who: str = "",
    at: datetime | None = None,
    public_key: str = "",
    production: Sequence[Sequence[Production]] = (),
) -> Document:
    """Sealed, not yet signed. name: the test's own. at: when it was judged, naive UTC. production: of each step its
    values' global risk, none where nobody asked."""
    plan = found.plan
    shared = iter([one for step in production for one in step])
    numbered = iter(range(1, 1 + sum(len(s.rows) for s in found.steps)))
    made = {
        "form": FORM,
        "acceptance": name,
        "vehicle": found.vehicle,
        "verdict": found.verdict.value,
        "wrong_acceptance": found.wrong_acceptance,
        "line": line,
        "who": who,
        "at": stamp(at) if at else None,
        "tested_from": stamp(found.from_t),
        "tested_to": stamp(found.to_t),
        "zone": found.zone,
        "serials": dict(sorted(found.serials.items())),
        "plan": {
            "name": plan.name,
            "version": plan.version,
            "hash": plan.hash,
            "set_by": plan.set_by,
            "set_on": plan.set_on,
            "why": plan.why,
            "caution": plan.caution,
            "risk": plan.risk,
            "findings": plan.findings,
        },
        "profile": found.profile,
        "profile_hash": found.profile_hash,
        "steps": [_step(step, numbered, shared) for step in found.steps],
        "findings": [{k: f[k] for k in ("severity", "title", "item", "statement")} for f in found.findings],
        "against": list(found.against),
        "refused": [{"log": log, "why": why, "do": do} for log, why, do in found.refused],
        "doubts": list(found.doubts),
        "births": [_birth(b.figure, b.step) for b in found.births],
        "logs": [_log(number, log) for number, log in enumerate(found.logs, start=1)],
        "read_this": list(READ_THIS),
        "cautions": [c.text for c in cautions.BENCH],
        "tool": f"herdbook {html.program_version()}",
        "public_key": public_key,
    }
    return sealed(made)


def item_words(check: Check, item: str) -> str:
    """Which group, sensor or motor: "group 7", "left motor"; "" for the whole unit."""
    if check.source == "role":
        return INDEXED[ROLES[check.name].index].format(item)
    if check.source == "metric" and item.isdecimal():
        return f"group {item}"
    return f"{item} motor" if item in MOTORS else item


def measured_words(check: Check) -> str:
    """What is measured, as a person reads it."""
    if check.source == "role":
        return f"{check.take} of {names.role_words(check.name)}"
    if check.source == "reading":
        return check.name
    meaning = giver_of(check.name).gives[check.name][1].split("; ")[0].rstrip(".")
    if meaning.startswith("The same"):  # as the one above it in its set
        return names.figure_words(check.name)
    return meaning[:1].lower() + meaning[1:]


def _step(result: StepResult, numbered: Iterator[int], shared: Iterator[Production]) -> Document:
    step = result.step
    return {
        "name": step.name,
        "kind": step.kind.id,
        "words": step.kind.words,
        "why": step.why,
        "caution": step.caution,
        "optional": step.optional,
        "verdict": result.verdict.value,
        "lacking": result.lacking,
        "taken": step.kind.taken.value if len(result.spans) > 1 else "",
        "spans": [{"from": stamp(from_micros(a)), "to": stamp(from_micros(b))} for a, b in result.spans],
        "rows": [_row(next(numbered), row, next(shared, None)) for row in result.rows],
    }


def _row(number: int, row: Judged, production: Production | None) -> Document:
    check, accept = row.check, row.accept
    return {
        "no": number,
        "measured": check.measured,
        "words": measured_words(check),
        "item": row.item,
        "item_words": item_words(check, row.item),
        "value": row.value,
        "standard_error": row.se,
        "unit": check.unit,
        "low": check.limits.low,
        "high": check.limits.high,
        "accept_low": accept.low if accept else None,
        "accept_high": accept.high if accept else None,
        "risk": check.risk,
        "conforms": row.conforms,
        "verdict": row.verdict.value,
        "reason": row.reason,
        "n": row.n,
        "times": row.times,
        "why": check.why,
        "set_by": check.set_by,
        "error": check.error,
        "error_why": check.error_why,
        "production": None if production is None else _production(production),
    }


def _production(one: Production) -> Document:
    risk = one.risk
    return {
        "units": one.units,
        "mean": one.mean,
        "sd": one.sd,
        "conforms": risk.conforms if risk else None,
        "consumers_risk": risk.accepted_bad if risk else None,
        "producers_risk": risk.rejected_good if risk else None,
        "odd": one.odd,
        "lacking": one.lacking,
    }


def _birth(figure: Figure, step: str) -> Document:
    return {
        "figure": figure.name,
        "words": in_words(figure.name, figure.item),
        "item": figure.item,
        "value": figure.value,
        "standard_error": figure.se,
        "unit": figure.unit,
        "n": figure.n,
        "step": step,
    }


def _log(number: int, log: UnitLog) -> Document:
    return {
        "no": number,
        "sha256": log.log,
        "name": log.name,
        "format": log.format,
        "status": log.status,
        "cut": log.cut,
        "bench": log.bench,
        "from": stamp(log.start_t),
        "to": stamp(log.end_t),
    }
