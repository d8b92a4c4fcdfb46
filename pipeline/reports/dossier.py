"""The dossier: one self-contained page on one unit, for the person who has it on the bench."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.quantities import SUBSYSTEMS
from pipeline.reports import cautions, evidence, page, words
from pipeline.reports.facts import Facts, Row, one_vehicle, open_published
from pipeline.reports.figure import Figure
from pipeline.reports.leaf import Leaf

if TYPE_CHECKING:
    import duckdb

    from pipeline.store import Store

LeafMaker = Callable[["Store", "duckdb.DuckDBPyConnection", Facts], Leaf]
MOST_FIGURES = (
    20  # evidence drawn for that many findings, the gravest first; the others keep words and numbers
)


@dataclass(frozen=True, slots=True)
class Told:
    """A finding as the page shows it. figure: drawn evidence, or the reason for none."""

    row: Row
    figure: Figure | None
    why_not: str
    gauge: evidence.Gauge | None
    times: list[str]
    facts: list[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class Mark:
    """One subsystem's score. parts: the chain of shares in words. row: the scores row or None."""

    subsystem: str
    score: float | None
    reason: str
    parts: str
    judged: str


def write_dossier(store: Store, vehicle: str, out: Path | str) -> Path:
    """Write the dossier of one vehicle; the file written.

    out: the file, or a folder to put it in.  Reads the published catalogue and the lake only.
    Raises: NotKnownError for an unknown vehicle, StoreError when nothing is published.
    """
    with open_published(store) as con:
        facts = one_vehicle(con, vehicle)
        text = page.render("dossier.html.j2", ("figures.js",), drawing=True, **_given(store, con, facts))
    return page.write(page.target(out, f"dossier-{page.file_name(vehicle)}.html"), text)


def _given(store: Store, con: duckdb.DuckDBPyConnection, facts: Facts) -> dict[str, Any]:
    subsystems = {f["subsystem"] for f in facts.findings}
    return {
        "facts": facts,
        "verdict": verdict(facts),
        "marks": marks(facts),
        "told": [_told(store, facts, f, index) for index, f in enumerate(facts.findings)],
        "cautions": cautions.for_findings(subsystems, bool(facts.graves("stop-use"))),
        "law": cautions.LAW,
        "leaves": [make(store, con, facts) for make in leaf_makers()],
        "made": words.moment(datetime.now(UTC), facts.zone),
        "moment": lambda t: words.moment(t, facts.zone),
    }


def leaf_makers() -> tuple[LeafMaker, ...]:
    """The further leaves in reading order, one module each."""
    return ()


def verdict(facts: Facts) -> tuple[str, str]:
    """Two lines: what to do with the unit and why; how far to trust it."""
    stop, findings = facts.graves("stop-use"), facts.findings
    if stop:
        first = f"Do not use {facts.vehicle}. {stop[0]['statement']}"
    elif findings:
        first = f"{facts.vehicle} needs attention: {findings[0]['statement']}"
    else:
        first = f"No finding on {facts.vehicle} in the data available."
    parts = []
    if findings:
        began = min(f["first_t"] for f in findings)
        parts.append(
            f"{words.plural(len(findings), 'finding')} ({_count_words(findings)}), "
            f"first recorded {words.day(began, facts.zone)}"
        )
    parts.append(f"{words.plural(len(facts.sessions), 'session')} on record")
    if facts.not_assessed:
        parts.append(f"{words.plural(len(facts.not_assessed), 'rule')} could not be judged")
    return first, "; ".join(parts) + "."


def _count_words(findings: list[Row]) -> str:
    counts = [(s, sum(f["severity"] == s for f in findings)) for s in words.SEVERITY_RANK]
    return ", ".join(f"{n} {words.SEVERITY_WORD[s].lower()}" for s, n in counts if n)


def marks(facts: Facts) -> list[Mark]:
    """Every subsystem in the fixed order, with the chain that makes its score."""
    by_name = {row["subsystem"]: row for row in facts.scores}
    out = []
    for subsystem in SUBSYSTEMS:
        row = by_name.get(subsystem)
        shares = [f["share"] for f in facts.findings if f["subsystem"] == subsystem]
        score = row["score"] if row else None
        parts = (
            "100"
            + "".join(f" × (1 − {share:.2f})" for share in shares)
            + (f" = {score:.0f}" if score is not None else "")
            if shares
            else "no finding takes a share"
        )
        out.append(
            Mark(
                subsystem,
                score,
                row["reason"] if row else "nothing recorded about it",
                parts,
                f"{row['rules_judged']} of {row['rules_total']} rules judged" if row else "no rule judged",
            )
        )
    return out


def _told(store: Store, facts: Facts, finding: Row, index: int) -> Told:
    drawn = (
        evidence.figure(store, facts, finding)
        if index < MOST_FIGURES
        else (f"Only the {MOST_FIGURES} gravest findings are drawn.")
    )
    seen = [
        ("Seen", words.plural(finding["count"], "time")),
        ("In all", words.duration(finding["duration_s"])),
        ("First", words.moment(finding["first_t"], facts.zone)),
        ("Last", words.moment(finding["last_t"], facts.zone)),
        ("Persistence", f"{finding['persistence']:.0%} of opportunities"),
        ("Confidence", f"{finding['confidence']:.0%}"),
        ("Share of score", f"{finding['share']:.2f}"),
    ]
    return Told(
        finding,
        drawn if isinstance(drawn, Figure) else None,
        drawn if isinstance(drawn, str) else "",
        evidence.gauge(finding),
        [words.span(w["start_t"], w["end_t"], facts.zone) for w in finding["windows"]],
        seen,
    )
