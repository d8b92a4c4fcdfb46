"""What a dossier says, as plain data for scripts: no figures, every number behind them by SQL or `wires`."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from herdbook.pipeline.reports.dossier import limit_test
from herdbook.pipeline.reports.facts import Facts, one_vehicle
from herdbook.pipeline.reports.page import html
from herdbook.pipeline.reports.verdict import marks, verdict
from herdbook.pipeline.reports.words import cautions, names
from herdbook.pipeline.store.statements import Row

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store


def dossier_data(store: Store, vehicle: str) -> dict[str, Any]:
    """The verdict, scores with their parts, findings with evidence windows and what other limits would say, what could
    not be judged and why, parts and versions, sessions by kind, and the logs behind it. Times are naive UTC.

    Raises: NotKnownError for an unknown vehicle, StoreError when nothing is published.
    """
    with store.read() as con:
        facts = one_vehicle(con, vehicle, store.settings.zone)
        steady = limit_test.of_findings(store, con, facts)
    first, second = verdict(facts, len(facts.sessions))
    return {
        "form": "herdbook-dossier/1",
        "vehicle": vehicle,
        "about": facts.about,
        "zone": facts.zone_name,
        "verdict": [first, second],
        "cautions": [asdict(c) for c in cautions.for_findings(facts.findings)],
        "scores": [asdict(m) for m in marks(facts)],
        "findings": [_finding(f, steady.get(f["finding"])) for f in facts.findings],
        "not_judged": [
            {
                "subsystem": r["subsystem"],
                "rule": r["rule"],
                "title": facts.rule_title(r["rule"]),
                "why": names.reason(r["reason"]),
            }
            for r in facts.not_assessed
        ],
        "other_packs": facts.other_packs,
        "doubts": facts.doubts,
        "doubted_figures": facts.doubted,
        "sessions": _sessions(facts),
        "installs": facts.installs,
        "changes": facts.changes,
        "logs": [
            {k: g[k] for k in ("log", "name", "start_t", "end_t", "status", "clock", "profile_hash", "network_hash")}
            for g in facts.logs
        ],
        "scan": facts.scan["scan"] if facts.scan else "",
        "tool": f"herdbook {html.program_version()}",
    }


def _finding(f: Row, steady: limit_test.Steadiness | None) -> Row:
    return f | {"limits_moved": asdict(steady) if steady else None}


def _sessions(facts: Facts) -> list[Row]:
    kinds = sorted({s["kind"] for s in facts.sessions})
    return [
        {
            "kind": kind,
            "count": len(chosen),
            "hours": sum((s["end_t"] - s["start_t"]).total_seconds() for s in chosen) / 3600,
        }
        for kind in kinds
        for chosen in [[s for s in facts.sessions if s["kind"] == kind]]
    ]
