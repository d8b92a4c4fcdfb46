"""A verdict as plain rows of the catalogue's tables findings, not_assessed and scores."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Any

from herdbook.pipeline.assess.versions import rule_set_version
from herdbook.pipeline.health.engine import Judged, Verdict
from herdbook.pipeline.health.rule import Record


@dataclass(frozen=True)
class VerdictRows:
    """Rows by column name; times are microseconds UTC. Picklable, unlike rules with their examples."""

    findings: tuple[dict[str, Any], ...] = ()
    not_assessed: tuple[dict[str, Any], ...] = ()
    scores: tuple[dict[str, Any], ...] = ()


def finding_id(vehicle: str, rule: str, item: str) -> str:
    """What makes a finding the same one tomorrow."""
    return hashlib.sha256("\0".join((vehicle, rule, item)).encode()).hexdigest()[:32]


def verdict_rows(verdict: Verdict, record: Record) -> VerdictRows:
    vehicle, rule_set = record.vehicle, rule_set_version()
    not_assessed = tuple(
        {"vehicle": vehicle, "rule": r.rule.id, "subsystem": r.rule.subsystem, "reason": r.reason}
        for r in verdict.not_assessed
    )
    scores = tuple(
        {
            "vehicle": vehicle,
            "subsystem": name,
            "score": s.score,
            "rules_judged": s.judged,
            "rules_total": s.total,
            "reason": s.reason,
            "rule_set": rule_set,
        }
        for name, s in verdict.scores.items()
    )
    return VerdictRows(tuple(_finding(j, record, rule_set) for j in verdict.findings), not_assessed, scores)


def _finding(judged: Judged, record: Record, rule_set: str) -> dict[str, Any]:
    f, rule = judged.finding, judged.rule
    first, last = _times(judged, record)
    return {
        "finding": finding_id(record.vehicle, rule.id, f.item),
        "vehicle": record.vehicle,
        "rule": rule.id,
        "title": rule.title,
        "subsystem": rule.subsystem,
        "severity": f.severity,
        "item": f.item,
        "statement": f.statement,
        "measured": f.measured,
        "limit": f.limit,
        "unit": f.unit,
        "se": f.se,
        "confidence": f.confidence,
        "persistence": f.persistence,
        "count": f.count,
        "duration_s": f.duration_s,
        "first_t": first,
        "last_t": last,
        "windows": [{"start_t": w.start, "end_t": w.end} for w in f.windows],
        "signals": list(f.signals),
        "not_separable": f.not_separable,
        "meaning": rule.meaning,
        "causes": list(rule.causes),
        "bench": list(rule.bench),
        "cautions": list(rule.cautions),
        "share": judged.share,
        "rule_set": rule_set,
    }


def _times(judged: Judged, record: Record) -> tuple[int, int]:
    """First and last time of the evidence; of the whole record for a finding without windows."""
    windows = judged.finding.windows
    if windows:
        return min(w.start for w in windows), max(w.end for w in windows)
    first, last = record.sessions["start_t"].to_physical().min(), record.sessions["end_t"].to_physical().max()
    return int(str(first or 0)), int(str(last or 0))
