"""The fleet page and a page a vehicle: a static site with relative links, written after each scan.

    index.html               stop-use list, change list, shared causes, register, drift, distributions, quarantine
    herd.html                repairs by age, comparisons, courses of figures, months of findings, outcomes
    night.html               the run itself, what came in, decoding, room, and where each question is answered
    vehicles/<name>.html     one vehicle: verdict, scores, findings, parts, changes
    dossiers/<name>.html     full dossiers of the vehicles that need one; linked from their pages

A page is only rewritten when its content changed, so copying the site to a web server moves little.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from herdbook.pipeline.health.judged import load
from herdbook.pipeline.health.severity import SUBSYSTEMS
from herdbook.pipeline.herd.overview import Overview, overview
from herdbook.pipeline.herd.score_history import LAST
from herdbook.pipeline.herd.work_on_record import work_on_record
from herdbook.pipeline.many_groups import told_once
from herdbook.pipeline.reports.dossier.write import refresh_dossiers
from herdbook.pipeline.reports.drawing import distribution
from herdbook.pipeline.reports.fleet import days, night_page, register, vehicle_page
from herdbook.pipeline.reports.herd import herd_page
from herdbook.pipeline.reports.page import html
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.reports.words.cautions import GENERAL, LAW
from herdbook.pipeline.store.statements import Row, ask
from herdbook.pipeline.times import utc_now

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.store.store import Store

Told = Callable[[int, int], None]
MOST_CHANGES = 400  # lines of the change list drawn; the rest is counted
AGES = ((1, "within a day"), (7, "2 to 7 days"), (30, "8 to 30 days"), (10**6, "more than 30 days"))


def write_fleet(store: Store, out_folder: Path | str, told: Told | None = None, dossiers: Sequence[str] = ()) -> Path:
    """Write the site; the path of its index.html.

    told(done, of) is called as pages are written.  dossiers: severities ("stop-use", "service") whose vehicles also get
    their full dossier, written anew only when their record changed.  Raises: StoreError when nothing is published.
    """
    folder = Path(out_folder)
    (folder / "vehicles").mkdir(parents=True, exist_ok=True)
    if dossiers:
        with store.read() as con:
            chosen = ask(
                con,
                __name__,
                "vehicles_with",
                severities=list(dossiers),
            )
        refresh_dossiers(store, folder / "dossiers", [row["vehicle"] for row in chosen], told)
    with store.read() as con:
        herd_wide = overview(store, con)
        given = _given(con, herd_wide)
        text = html.render("fleet.html.j2", ("register.js",), **given)
        html.write(folder / "night.html", night_page.text(herd_wide, given["scan"]))
        html.write(folder / herd_page.NAME, herd_page.page_text(store, con, utc_now(), beside=True))
        vehicle_page.write_all(store, con, folder, told)
    return html.write(folder / "index.html", text)


def _given(con: duckdb.DuckDBPyConnection, herd_wide: Overview) -> dict[str, Any]:
    herd = ask(con, __name__, "fleet")
    scans = ask(con, __name__, "last_scan")
    day = scans[0]["started_t"] if scans else None
    newest = max((v["last_t"] for v in herd if v["last_t"]), default=None)
    return _changes(con, herd_wide) | {
        "herd_wide": herd_wide,
        "judged": load(),
        "herd": herd,
        "scan": scans[0] if scans else None,
        "newest": numbers.moment(newest, None),
        "ages": _ages(herd, day or newest),
        "counted_to": f"the newest scan, {numbers.day(day)}" if day else "the newest record of all",
        "days": days.strip(con),
        "most_vehicles": days.MOST_VEHICLES,
        "most_entered": days.MOST_ENTERED,
        "most_days": days.MOST_DAYS,
        "stop": _standing(con),
        "causes": ask(con, __name__, "causes"),
        "quarantine": ask(con, __name__, "quarantine"),
        "unassessed": [(name, sum(v[name] is None for v in herd)) for name in SUBSYSTEMS],
        "silent": [v for v in herd if v["silent"]],
        "spreads": distribution.spreads(herd),
        "bands": distribution.NAMES,
        "register": register.packed(con, herd, day or newest),
        "last": LAST,
        "subsystems": SUBSYSTEMS,
        "link": lambda vehicle: f"vehicles/{html.file_name(vehicle)}.html",
        "general": GENERAL,
        "law": LAW,
        "made": numbers.moment(utc_now(), None),
    }


def _standing(con: duckdb.DuckDBPyConnection) -> list[Row]:
    """What must not be used; many groups of one pack are one row, last recorded when the last of them was."""
    told = told_once(
        ask(con, __name__, "standing"),
        same=lambda s: (s["vehicle"], s["title"], s["subsystem"]),
        item=lambda s: s["item"],
        statement=lambda s: s["statement"],
    )
    return [
        t.row | {"item": t.item, "statement": t.statement, "last_t": max(r["last_t"] for r in t.rows)} for t in told
    ]


def _changes(con: duckdb.DuckDBPyConnection, herd_wide: Overview) -> dict[str, Any]:
    """The change list of the newest night; empty before the first."""
    told = herd_wide.told
    if told is None:
        none: dict[str, Any] = dict.fromkeys(("changes", "first_seen", "kept_quiet"), ())
        return none | {"counts": {}, "more": 0, "fleet_quiet": "", "notes": (), "doubts": (), "work": {}}
    listed = [c for c in told.changes_once() if c.change != "first seen"]
    shown = listed[:MOST_CHANGES]
    return {
        "changes": shown,
        "first_seen": [c for c in told.changes if c.change == "first seen"],
        "counts": told.counts(),
        "more": max(0, len(listed) - MOST_CHANGES),
        "fleet_quiet": told.fleet_quiet,
        "notes": told.notes,
        "doubts": [d for d in told.doubts if d.verdict == "contradicted" or d.new],
        "kept_quiet": told.muted,
        "work": work_on_record(con, sorted({c.vehicle for c in shown if c.change == "gone"}), told.as_of),
    }


def _ages(herd: list[Row], day: datetime | None) -> list[tuple[str, int]]:
    """How old each vehicle's newest record was on the day of the scan, counted in classes."""
    found: Counter[str] = Counter()
    for vehicle in herd:
        if vehicle["last_t"] is None or day is None:
            found["no record"] += 1
        else:
            age = (day - vehicle["last_t"]).total_seconds() / 86400
            found[next(name for limit, name in AGES if age <= limit)] += 1
    return [(name, found[name]) for name in [*(n for _, n in AGES), "no record"] if found[name]]
