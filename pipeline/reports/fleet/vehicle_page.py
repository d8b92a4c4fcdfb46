"""One small page a vehicle for the static site: what stands against it, its gravest evidence drawn small.

The catalogue is read once for all vehicles and dealt out, so that ten thousand pages take seconds, not minutes.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import polars as pl
from markupsafe import Markup

from herdbook.pipeline.book import book, stop_use
from herdbook.pipeline.health.severity import SUBSYSTEMS
from herdbook.pipeline.herd.score_history import score_changes
from herdbook.pipeline.night import mutes
from herdbook.pipeline.reports.dossier import evidence
from herdbook.pipeline.reports.drawing import book_strip
from herdbook.pipeline.reports.facts import Facts, doubts_of, other_packs_of, rule_titles
from herdbook.pipeline.reports.fleet import finding_svg
from herdbook.pipeline.reports.page import html
from herdbook.pipeline.reports.verdict import marks, verdict
from herdbook.pipeline.reports.words import cautions, names, numbers
from herdbook.pipeline.store.statements import Row, ask
from herdbook.pipeline.times import utc_now

if TYPE_CHECKING:
    from collections.abc import Sequence

    import duckdb

    from herdbook.pipeline.book.entry import Entry
    from herdbook.pipeline.book.stop_use import Matter
    from herdbook.pipeline.store.store import Store

TABLES = {
    "findings": "all_findings",
    "changes": "all_changes",
    "used": "all_used",
    "scores": "all_scores",
    "not_assessed": "all_not_assessed",
    "installs": "all_installs",
    "logs": "logs_of_found",
    "days": "all_session_days",
}
OfVehicle = TypeVar("OfVehicle", "Entry", "Matter")
MOST_DRAWN = 2  # findings of a page, the gravest first
MOST_PAGES = 400  # vehicles drawn in one go; the others follow with later scans, so that a night ends in time
MOST_WINDOWS = 3  # times named a finding


def write_all(
    store: Store, con: duckdb.DuckDBPyConnection, folder: Path, told: Callable[[int, int], None] | None
) -> int:
    """Write vehicles/<name>.html for every vehicle; how many files changed."""
    dealt = {name: _dealt(ask(con, __name__, query)) for name, query in TABLES.items()}
    scans = ask(con, __name__, "last_scan")
    herd = ask(con, __name__, "vehicles")
    titles = rule_titles(con)
    muted = mutes.in_force(con, utc_now())
    history = score_changes(con)
    entered, open_matters = _by_vehicle(book.entries(con)), _by_vehicle(stop_use.matters(con))
    changed, budget = 0, Budget(MOST_PAGES)
    profiles: dict[str, dict[str, Any]] = {}
    for done, about in enumerate(herd, start=1):
        name = about["vehicle"]
        of_it = {table: of[name] for table, of in dealt.items()}
        facts = _facts(about, of_it, scans, titles, store.settings.zone, entered[name], open_matters[name])
        profile = about["profile"]
        if profile not in profiles:
            profiles[profile] = {"doubts": doubts_of(con, profile), "other_packs": other_packs_of(con, profile)}
        facts = replace(facts, **profiles[profile])
        stem = html.file_name(name)
        path = folder / "vehicles" / f"{stem}.html"
        more = {
            "used": dealt["used"][name],
            "dossier": stem if (folder / "dossiers" / f"{stem}.html").exists() else "",
            "history": html.history_beside(folder, stem),
            "drawings": _drawings(store, facts, path, budget),
            "muted": {f["finding"]: muted.get((name, f["rule"], f["item"])) for f in facts.findings},
            "strip": _strip(facts, dealt["days"][name]),
            "lines": {s: line for s in SUBSYSTEMS if (line := history.get((name, s)))},
        }
        changed += _write_if_changed(path, _text(facts, more))
        if told:
            told(done, len(herd))
    return changed


def _strip(facts: Facts, of_kind: list[Row]) -> Markup:
    """What people entered beside findings and days with sessions; empty where nothing is entered."""
    sessions = {row["kind"]: book_strip.days(row["days"]) for row in of_kind}
    return book_strip.book_strip(facts, sessions, lambda e: f"#e-{e.entry}", lambda finding: f"#f-{finding[:12]}")


@dataclass
class Budget:
    """How many vehicles may still be drawn."""

    left: int


def _drawings(store: Store, facts: Facts, path: Path, budget: Budget) -> dict[str, finding_svg.FindingDrawing]:
    """The drawn evidence of a vehicle by finding: what its page holds already, and what is drawn now."""
    wanted = {f["finding"]: f for f in facts.findings if f["severity"] != "note" and f["windows"]}
    chosen = dict(list(wanted.items())[:MOST_DRAWN])
    if not chosen:
        return {}
    held = finding_svg.kept(path)
    out = {key: held[mark] for key, f in chosen.items() if (mark := finding_svg.mark_of(f)) in held}
    if len(out) < len(chosen) and budget.left > 0:
        budget.left -= 1
        out |= {key: finding_svg.draw(store, facts, f) for key, f in chosen.items() if key not in out}
    return out


def _dealt(table: list[Row]) -> defaultdict[str, list[Row]]:
    out: defaultdict[str, list[Row]] = defaultdict(list)
    for row in table:
        out[row["vehicle"]].append(row)
    return out


def _by_vehicle(rows: Sequence[OfVehicle]) -> defaultdict[str, list[OfVehicle]]:
    out: defaultdict[str, list[OfVehicle]] = defaultdict(list)
    for row in rows:
        out[row.vehicle].append(row)
    return out


def _facts(
    about: Row,
    of: dict[str, list[Row]],
    scans: list[Row],
    titles: dict[str, str],
    zone: str,
    entered: list[Entry],
    matters: list[Matter],
) -> Facts:
    about_it = {m.key: m for m in matters}
    findings = [f | {"matter": about_it.get((f["vehicle"], f["rule"], f["item"]))} for f in of["findings"]]
    return Facts(
        vehicle=about["vehicle"],
        about=about,
        zone=numbers.zone_of(about["zone"] or zone),
        findings=findings,
        not_assessed=of["not_assessed"],
        scores=of["scores"],
        sessions=[],
        installs=of["installs"],
        stated={},
        logs=of["logs"],
        messages=[],
        changes=of["changes"],
        metrics=pl.DataFrame(),
        events=pl.DataFrame(),
        scan=scans[0] if scans else None,
        rule_set=None,
        titles=titles,
        book=entered,
        matters=matters,
    )


def _text(facts: Facts, more: dict[str, Any]) -> str:
    return html.render(
        "vehicle.html.j2",
        facts=facts,
        verdict=verdict(facts, sum(u["sessions"] for u in more["used"])),
        marks=marks(facts),
        cautions=cautions.for_findings(facts.findings),
        law=cautions.LAW,
        gauges={f["finding"]: evidence.gauge(f) for f in facts.findings},
        times={f["finding"]: [evidence.where(facts, w) for w in f["windows"][:MOST_WINDOWS]] for f in facts.findings},
        moment=lambda t: numbers.moment(t, facts.zone),
        changed=numbers.CHANGE_WORD,
        reason=names.reason,
        said=names.statement,
        **more,
    )


def _write_if_changed(path: Path, text: str) -> bool:
    if path.exists() and path.read_text("utf-8") == text:
        return False
    html.write(path, text)
    return True
