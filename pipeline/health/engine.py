"""Runs the rules over one vehicle's record. Start at judge().

Pure: the same record and rule set give the same verdict, in the same order. What the rules know of the fleet
is the record's `reference`, frozen with the rule set.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass, replace

import polars as pl

from herdbook.pipeline.health.doubts import why_in_doubt
from herdbook.pipeline.health.judgeable import unfit, why_not
from herdbook.pipeline.health.logging_habits import OWN_FAULT, withheld
from herdbook.pipeline.health.packs import named, readings, reason_of
from herdbook.pipeline.health.rule import Finding, NotAssessed, Record, Rule
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.health.scoring import Score, score, share
from herdbook.pipeline.health.severity import SUBSYSTEMS, Severity, rank
from herdbook.pipeline.vehicle.chemistry import Chemistry
from herdbook.pipeline.vehicle.figures import MissingFigureError
from herdbook.pipeline.vehicle.record import FAILED

MOST_WINDOWS = 10
# Least confidence of a finding that is told with this severity; under it, the next lower one (engineering choices).
SURE = {Severity.STOP_USE: 0.9, Severity.SERVICE: 0.8}
SLIPS = (ArithmeticError, AttributeError, LookupError, TypeError, ValueError, pl.exceptions.PolarsError)


@dataclass(frozen=True, slots=True)
class Judged:
    """A finding, the rule that made it, and the share 0..1 that it takes from its subsystem's score."""

    rule: Rule
    finding: Finding
    share: float


@dataclass(frozen=True, slots=True)
class Refused:
    """A rule that could not judge this vehicle, or one of its packs, and why. waits: with more of a log it could;
    else what it is judged by can never feed it."""

    rule: Rule
    reason: str
    waits: bool = True


@dataclass(frozen=True, slots=True)
class Verdict:
    """findings: worst first (severity, then share). scores: one entry a subsystem, in the order of SUBSYSTEMS."""

    findings: tuple[Judged, ...]
    not_assessed: tuple[Refused, ...]
    scores: dict[str, Score]


def limits_of(rule: Rule, overrides: dict[str, float], chemistry: Chemistry | None = None) -> dict[str, float]:
    """The rule's limits by name; the profile's [limits] table wins over its pack's chemistry, and that over the rule's
    own figures. chemistry: None stands for the usual one."""
    own = {x.name: getattr(chemistry, x.chemistry) if chemistry and x.chemistry else x.value for x in rule.limits}
    return {name: overrides.get(f"{rule.id}.{name}", value) for name, value in own.items()}


def apply(rule: Rule, record: Record) -> list[Finding] | NotAssessed:
    """One rule over one record: its findings (worst first, at most ten windows each), or why it could not judge. Of
    several packs: the findings of those that it could judge, or why it could judge none."""
    said = [(one, _applied(rule, one.record)) for one in readings(rule, record)]
    found = [named(one.number, f) for one, some in said if not isinstance(some, NotAssessed) for f in some]
    refused = [(one.number, some.reason) for one, some in said if isinstance(some, NotAssessed)]
    return NotAssessed(_reasons(refused)) if len(refused) == len(said) else found


def _reasons(refused: list[tuple[int, str]]) -> str:
    """Why packs could not be judged: once where it is the same for several."""
    if len(refused) > 1 and len({reason for _, reason in refused}) == 1:
        return refused[0][1]
    return "; ".join(reason_of(number, reason) for number, reason in refused)


def _applied(rule: Rule, record: Record) -> list[Finding] | NotAssessed:
    """The same of one pack, or of the vehicle."""
    if doubt := why_in_doubt(rule, record.doubts):
        return NotAssessed(doubt)
    if others := unfit(rule, record.profile):
        return NotAssessed("; ".join(others))
    present = record.once("names", lambda: set(record.metrics["name"].unique().to_list()))
    missing = [name for name in rule.needs if name not in present]
    lacking = why_not(rule, record.profile)
    if missing:
        if failed := failed_measuring(record, missing):
            return NotAssessed(failed)
        why = lacking or "no session had enough of it"
        return NotAssessed(f"not in the record: {', '.join(missing)} ({why})")
    if lacking:
        return NotAssessed(lacking)
    chemistry = record.profile.pack_figures.of_chemistry
    try:
        said = rule.judge(record, limits_of(rule, record.profile.limits, chemistry))
    except MissingFigureError as error:
        return NotAssessed(str(error.args[0]))
    except SLIPS as error:
        # one rule's slip must not take a vehicle's stop-use finding with it; its own cases show it to tests
        return NotAssessed(f"{OWN_FAULT}, {type(error).__name__}: {error}; the other rules stand")
    if isinstance(said, NotAssessed):
        return said
    said = [as_sure(finding) for finding in said]
    order = sorted(said, key=lambda f: (-rank(f.severity), -share(f), f.item))
    return [replace(f, windows=f.windows[:MOST_WINDOWS]) for f in order]


def as_sure(finding: Finding) -> Finding:
    """The finding no more severe than its confidence bears: who must not ride, or must come in, is told so only when it
    is nearly certain; what is likely is worth a note."""
    severity = finding.severity
    if severity is Severity.STOP_USE and finding.confidence < SURE[severity]:
        severity = Severity.SERVICE
    if severity is Severity.SERVICE and finding.confidence < SURE[severity]:
        severity = Severity.NOTE
    if severity is finding.severity:
        return finding
    return replace(finding, severity=severity, unsettled=severity is Severity.NOTE)


def judge(record: Record, rules: Iterable[Rule] | None = None) -> Verdict:
    """Every rule over one vehicle's record."""
    found: list[Judged] = []
    refused: list[Refused] = []
    chosen = list(all_rules().values()) if rules is None else list(rules)
    for rule in chosen:
        reasons, waits = [], False
        for one in readings(rule, record):
            said = _applied(rule, one.record)
            if isinstance(said, NotAssessed):
                reasons.append((one.number, said.reason))
                profile = one.record.profile
                waits |= bool(rule.applies(profile) and not why_not(rule, profile))
            else:
                found += [Judged(rule, named(one.number, finding), share(finding)) for finding in said]
        if reasons:
            refused.append(Refused(rule, _reasons(reasons), waits))
    found.sort(key=lambda j: (-rank(j.finding.severity), -j.share, j.rule.id, j.finding.item))
    return Verdict(tuple(found), tuple(refused), _scores(chosen, found, refused, record))


def _scores(rules: list[Rule], found: list[Judged], refused: list[Refused], record: Record) -> dict[str, Score]:
    """A rule that its bus can never feed is out of reach, and said to be; one that waits for more of a log is open."""
    weighty = [r for r in refused if r.rule.matters and r.rule.severity is not Severity.NOTE]
    open_still = [r for r in weighty if r.waits]
    scores = {}
    for subsystem in SUBSYSTEMS:
        total = sum(rule.subsystem == subsystem for rule in rules)
        judged = total - sum(r.rule.subsystem == subsystem for r in refused)
        mine = [(r.rule, r.reason) for r in open_still if r.rule.subsystem == subsystem]
        said = [j for j in found if j.rule.subsystem == subsystem]
        waits_for = withheld(mine, record.doubts) if mine else ""
        scores[subsystem] = score(
            [j.share for j in said], judged, total, waits_for, "" if _weighty(said) else _unsettled(said)
        )
    return scores


def _weighty(said: list[Judged]) -> bool:
    return any(j.finding.severity is not Severity.NOTE for j in said)


def _unsettled(said: list[Judged]) -> str:
    """Why notes alone leave a score open; "" when they do not."""
    titles = dict.fromkeys(f"“{j.rule.title}”" for j in said if j.finding.unsettled)
    return f"{', '.join(titles)}: noted, and not settled yet" if titles else ""


def failed_measuring(record: Record, missing: Iterable[str]) -> str:
    """Why own metrics are missing: the set that should give them failed; "" where none did."""
    if not any(name.startswith("own_") for name in missing) or not record.events.height:
        return ""
    failed = record.events.filter(pl.col("kind") == FAILED)
    if not failed.height:
        return ""
    sessions = failed["session_start_t"].n_unique()
    times = f"{sessions} sessions, last" if sessions > 1 else "one session"
    return f"an own metric set failed in {times}: {failed['item'][-1]}"


def rule_set_json(rules: Iterable[Rule] | None = None) -> str:
    """The rule set in words, for the catalogue's rule_sets table: every rule with its limits, units and reasons."""
    chosen = list(all_rules().values()) if rules is None else list(rules)
    told = [
        {
            "id": r.id,
            "title": r.title,
            "subsystem": r.subsystem,
            "severity": r.severity,
            "source": r.source,
            "limits": [{"name": x.name, "value": x.value, "unit": x.unit, "why": x.why} for x in r.limits],
        }
        for r in chosen
    ]
    return json.dumps(told, sort_keys=True)
