"""One small page a vehicle for the static site: what stands against it, without drawn signals.

The catalogue is read once for all vehicles and dealt out, so that ten thousand pages take seconds, not
minutes.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from pipeline.reports import cautions, evidence, page, words
from pipeline.reports.facts import Facts, Row, rows
from pipeline.reports.verdict import marks, verdict

if TYPE_CHECKING:
    import duckdb

TABLES = {
    "findings": "all_findings",
    "changes": "all_changes",
    "used": "all_used",
    "scores": "SELECT * FROM scores",
    "not_assessed": "SELECT * FROM not_assessed ORDER BY subsystem, rule",
    "installs": "SELECT * FROM installs ORDER BY component, from_t",
}


def write_all(con: duckdb.DuckDBPyConnection, folder: Path, zone: str, told: Callable[[int, int], None] | None) -> int:
    """Write vehicles/<name>.html for every vehicle; how many files changed."""
    dealt = {name: _dealt(rows(con, query)) for name, query in TABLES.items()}
    scans = rows(con, "SELECT * FROM scans WHERE state = 'complete' ORDER BY started_t DESC LIMIT 1")
    herd = rows(con, "SELECT * FROM vehicles ORDER BY vehicle")
    changed = 0
    for done, about in enumerate(herd, start=1):
        name = about["vehicle"]
        facts = _facts(about, {table: of[name] for table, of in dealt.items()}, scans, zone)
        stem = page.file_name(name)
        drawn = (folder / "dossiers" / f"{stem}.html").exists()
        text = _text(facts, dealt["used"][name], stem if drawn else "")
        changed += _write_if_changed(folder / "vehicles" / f"{stem}.html", text)
        if told:
            told(done, len(herd))
    return changed


def _dealt(table: list[Row]) -> defaultdict[str, list[Row]]:
    out: defaultdict[str, list[Row]] = defaultdict(list)
    for row in table:
        out[row["vehicle"]].append(row)
    return out


def _facts(about: Row, of: dict[str, list[Row]], scans: list[Row], zone: str) -> Facts:
    return Facts(
        vehicle=about["vehicle"],
        about=about,
        zone=words.zone_of(about["zone"] or zone),
        findings=of["findings"],
        not_assessed=of["not_assessed"],
        scores=of["scores"],
        sessions=[],
        installs=of["installs"],
        stated={},
        logs=[],
        messages=[],
        changes=of["changes"],
        metrics=pl.DataFrame(),
        events=pl.DataFrame(),
        scan=scans[0] if scans else None,
        rule_set=None,
    )


def _text(facts: Facts, used: list[Row], dossier: str) -> str:
    return page.render(
        "vehicle.html.j2",
        facts=facts,
        verdict=verdict(facts, sum(u["sessions"] for u in used)),
        marks=marks(facts),
        cautions=cautions.for_findings(facts.findings),
        law=cautions.LAW,
        used=used,
        gauges={f["finding"]: evidence.gauge(f) for f in facts.findings},
        dossier=dossier,
        moment=lambda t: words.moment(t, facts.zone),
        changed=words.CHANGE_WORD,
    )


def _write_if_changed(path: Path, text: str) -> bool:
    if path.exists() and path.read_text("utf-8") == text:
        return False
    page.write(path, text)
    return True
