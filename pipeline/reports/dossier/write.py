"""The dossier: one self-contained page on one unit, for the person who has it on the bench."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from herdbook.pipeline.reports.dossier import all_events, evidence, limit_test, quantity
from herdbook.pipeline.reports.dossier.causes import ShownCause, bit_names, causes_of, stories
from herdbook.pipeline.reports.dossier.leaves import all_leaves
from herdbook.pipeline.reports.dossier.limit_test import Steadiness
from herdbook.pipeline.reports.dossier.pack_leaves import of_packs
from herdbook.pipeline.reports.facts import Facts, one_vehicle, unbooked
from herdbook.pipeline.reports.packs import about_its_pack, packs_of, reading_of
from herdbook.pipeline.reports.page import html
from herdbook.pipeline.reports.page.blocks import Drawn
from herdbook.pipeline.reports.page.figure import PageFigure
from herdbook.pipeline.reports.page.worth import worth_drawing
from herdbook.pipeline.reports.record import profile_of, record_of
from herdbook.pipeline.reports.verdict import marks, verdict
from herdbook.pipeline.reports.words import cautions, numbers
from herdbook.pipeline.store.statements import Row
from herdbook.pipeline.times import utc_now

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.health.rule import Record
    from herdbook.pipeline.store.store import Store

Progress = Callable[[int, int], None]
TEMPLATE = "dossier.html.j2"
MOST_FIGURES = 20  # evidence drawn for that many findings, the gravest first; the others keep words and numbers


@dataclass(frozen=True, slots=True)
class ShownFinding:
    """A finding as the page shows it. figure: drawn evidence, or the reason for none. overlaid: its events over each
    other. quantity: what it is about as a slope."""

    row: Row
    figure: PageFigure | None
    overlaid: PageFigure | None
    quantity: PageFigure | None
    why_not: str
    gauge: evidence.Gauge | None
    times: list[str]
    facts: list[tuple[str, str]]
    steady: Steadiness | None
    causes: list[ShownCause]


def load() -> None:
    """Everything that a page is made with: its leaves and templates, which wait for the first page else."""
    all_leaves()
    html.environment().get_template(TEMPLATE)


def write_dossier(
    store: Store, vehicle: str, out: Path | str, name_peers: bool = False, *, with_book: bool = True
) -> Path:
    """Write the dossier of one vehicle; the file written.

    out: the file, or a folder to put it in.  name_peers: name other vehicles in the figures that compare with them
    (without, the page may leave the house).  with_book: the store has a service book; else nothing is said of what
    people did about a stop-use finding.  Reads the published catalogue and the lake only.
    Raises: NotKnownError for an unknown vehicle, StoreError when nothing is published.
    """
    with store.read() as con:
        facts = replace(one_vehicle(con, vehicle, store.settings.zone), peers_named=name_peers)
        return write_facts(store, con, facts if with_book else unbooked(facts), out)


def write_facts(store: Store, con: duckdb.DuckDBPyConnection, facts: Facts, out: Path | str) -> Path:
    """As write_dossier, of facts that were read already."""
    return _write(store, con, facts, html.target(out, f"dossier-{html.file_name(facts.vehicle)}.html"))


def refresh_dossiers(store: Store, folder: Path, vehicles: Sequence[str], told: Progress | None = None) -> int:
    """Write <folder>/<name>.html for each vehicle whose page is missing or older than its record; how many written."""
    written = 0
    folder.mkdir(parents=True, exist_ok=True)
    with store.read() as con:
        for done, vehicle in enumerate(vehicles, start=1):
            facts = one_vehicle(con, vehicle, store.settings.zone)
            path = folder / f"{html.file_name(vehicle)}.html"
            if not _is_current(path, fingerprint(facts, _neighbours(path)["history"])):
                _write(store, con, facts, path, of_site=True)
                written += 1
            if told:
                told(done, len(vehicles))
    return written


def _write(store: Store, con: duckdb.DuckDBPyConnection, facts: Facts, path: Path, *, of_site: bool = False) -> Path:
    beside = _neighbours(path) if of_site else None
    mark = fingerprint(facts, beside["history"] if beside else "")
    given = _given(store, con, facts) | {"fingerprint": mark, "beside": beside}
    return html.write(path, html.render(TEMPLATE, html.FIGURES, **given))


def _neighbours(path: Path) -> dict[str, str]:
    """Addresses of the pages beside a dossier of a site, relative to it; a history only where one was written."""
    site, name = path.parent.parent, path.name
    history = html.history_beside(site, path.stem)
    return {"herd": "../index.html", "vehicle": f"../vehicles/{name}", "history": history}


def fingerprint(facts: Facts, history: str = "") -> str:
    """Changes when a dossier would say something else: logs, findings, scores, service book, rule set, this program's
    version and scripts, or the address of a history (history)."""
    seen = [
        [log["log"] for log in facts.logs],
        [[f["finding"], f["severity"], f["statement"], f["rule_set"], f["muted"]] for f in facts.findings],
        [[s["subsystem"], s["score"], s["reason"]] for s in facts.scores],
        html.program_version(),
        *([sorted(facts.doubts.items())] if facts.doubts else []),
        *([facts.other_packs] if facts.other_packs else []),
        *([[(e.entry, e.holds) for e in facts.book]] if facts.book else []),
        *([[m.key for m in facts.unlooked]] if facts.unlooked else []),
        html.csp_hash("".join(html.asset(name) for name in html.FIGURES)),
        *([history] if history else []),
    ]
    return hashlib.sha256(repr(seen).encode()).hexdigest()[:32]


def _is_current(path: Path, mark: str) -> bool:
    if not path.is_file():
        return False
    with path.open(encoding="utf-8") as file:
        return f'name="fingerprint" content="{mark}"' in file.read(4000)


def _given(store: Store, con: duckdb.DuckDBPyConnection, facts: Facts) -> dict[str, Any]:
    steady = limit_test.of_findings(store, con, facts)
    bits, record = bit_names(store, facts), _record(store, facts)
    shown = [_shown(store, facts, f, i, steady.get(f["finding"]), bits, record) for i, f in enumerate(facts.findings)]
    packs = packs_of(profile_of(store, facts.about["profile"]))
    made = [leaf for name, make in all_leaves().items() for leaf in of_packs(name, make, store, con, facts, packs)]
    leaves = [replace(leaf, blocks=[b for block in leaf.blocks for b in worth_drawing(block)]) for leaf in made]
    figures = [f for t in shown for f in (t.overlaid, t.quantity, t.figure) if f]
    figures += [b.figure for leaf in leaves for b in leaf.blocks if isinstance(b, Drawn)]
    return {
        "facts": facts,
        "figures": figures,
        "verdict": verdict(facts, len(facts.sessions)),
        "marks": marks(facts),
        "shown": shown,
        "stories": stories(facts, {t.row["finding"]: t.causes for t in shown}),
        "bench": _bench(shown),
        "cautions": cautions.for_findings(facts.findings),
        "more_cautions": _more_cautions(facts),
        "law": cautions.LAW,
        "leaves": leaves,
        "made": numbers.moment(utc_now(), facts.zone),
        "moment": lambda t: numbers.moment(t, facts.zone),
    }


def _record(store: Store, facts: Facts) -> Record | None:
    """The vehicle's figures as rules read them, for the causes of its findings."""
    profile = profile_of(store, facts.about["profile"]) if facts.findings else None
    return record_of(facts, profile, []) if profile is not None else None


def _bench(shown: list[ShownFinding]) -> list[tuple[ShownFinding, list[str]]]:
    """The bench checks of the findings, gravest first; a check that serves several is told with the first of them."""
    told: set[str] = set()
    out = []
    for t in shown:
        checks = [c for c in t.row["bench"] if c not in told]
        told |= set(checks)
        if checks:
            out.append((t, checks))
    return out


def _more_cautions(facts: Facts) -> list[str]:
    """What single rules warn of beyond the general cautions, each once."""
    general = {c.text for c in cautions.for_findings(facts.findings)}
    return [c for c in dict.fromkeys(c for f in facts.findings for c in f["cautions"]) if c not in general]


def _shown(
    store: Store,
    facts: Facts,
    finding: Row,
    index: int,
    steady: Steadiness | None,
    bits: evidence.BitNames,
    record: Record | None,
) -> ShownFinding:
    own, one = about_its_pack(facts, finding)
    bits = bit_names(store, own) if own.pack > 1 else bits
    drawn = (
        evidence.figure(store, own, one, bits)
        if index < MOST_FIGURES
        else (f"Only the {MOST_FIGURES} gravest findings are drawn.")
    )
    seen = [
        ("Seen", numbers.plural(finding["count"], "time")),
        ("In all", numbers.duration(finding["duration_s"])),
        ("First", numbers.moment(finding["first_t"], facts.zone)),
        ("Last", numbers.moment(finding["last_t"], facts.zone)),
        ("Persistence", f"{finding['persistence']:.0%} of opportunities"),
        ("Confidence", f"{finding['confidence']:.0%}"),
        ("Share of score", f"{finding['share']:.2f}"),
        ("Beyond the limit", evidence.margin(finding)),
    ]
    return ShownFinding(
        row=finding,
        figure=drawn if isinstance(drawn, PageFigure) else None,
        overlaid=all_events.figure(store, own, one, bits) if index < MOST_FIGURES else None,
        quantity=quantity.figure(store, own, one) if index < MOST_FIGURES else None,
        why_not=drawn if isinstance(drawn, str) else "",
        gauge=evidence.gauge(finding),
        times=[evidence.where(facts, w) for w in finding["windows"]],
        facts=seen,
        steady=steady,
        causes=causes_of(store, own, one, bits, reading_of(record, finding)),
    )
