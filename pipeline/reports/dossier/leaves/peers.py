"""The fleet beside it: where this unit stands among its peers, by batch and by firmware."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.herd.standing import standing
from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.page.blocks import Block, Drawn, Leaf, Note, PageTable
from herdbook.pipeline.reports.page.figure import PageFigure, Spec, axis, label, layout, markers
from herdbook.pipeline.reports.rule_counts import RuleCounts, rule_counts
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.store.statements import Row, ask

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.store.store import Store

ORDER = 90  # place in the dossier
LAST = 10
MOST_DOTS = 1500  # peers drawn one by one; beyond it every so many in order of value
LEAST_PEERS = 3
COMPARED = (
    ("cell_r_ratio", "Weakest group's resistance over the median group", "1"),
    ("group_dcr_10s_25c_mohm", "Median group's resistance after 10 s at 25 °C", "mOhm"),
    ("cell_temp_max_c", "Hottest cell reading", "degC"),
    ("pack_heat_ratio", "Pack warming, measured over explained", "1"),
    ("regen_ratio", "Regeneration delivered over demanded", "1"),
    ("motor_temp_max_c", "Hottest winding reading", "degC"),
)


def leaf(store: Store, con: duckdb.DuckDBPyConnection, facts: Facts) -> Leaf:
    blocks: list[Block] = []
    standing: list[tuple[str, ...]] = []
    for metric, title, unit in COMPARED:
        found = ask(con, __name__, "peers", profile=facts.about["profile"], metric=metric, last=LAST)
        own = next((r for r in found if r["vehicle"] == facts.vehicle), None)
        if own is None or len(found) <= LEAST_PEERS:
            continue
        groups = _groups(found, own)
        blocks.append(Drawn(_figure(metric, title, unit, groups, own, named=facts.peers_named)))
        standing += [(title, name, _rank(members, own), str(len(members))) for name, members in groups]
    if standing:
        blocks.insert(
            0, PageTable("Where this unit stands", ("Figure", "Among", "Rank", "n with it"), standing, frozenset({3}))
        )
    else:
        blocks.append(Note(f"Fewer than {LEAST_PEERS} peers of this profile have comparable figures.", "absent"))
    blocks += _among_peers(con, facts.vehicle)
    blocks += _before(con, facts)
    lead = (
        f"Each dot is a vehicle: the median over its newest {LAST} sessions. Peers differ in age, use and "
        f"climate; a rank is a "
        "hint where to look and no verdict. Only vehicles that sent logs are here."
    )
    return Leaf("peers", "The fleet beside it", lead, blocks)


def _among_peers(con: duckdb.DuckDBPyConnection, vehicle: str) -> list[Block]:
    """Ranks with age, use and warmth taken off, and the vehicle's own past."""
    found = standing(con, vehicle)
    if not any(s.among or s.past for s in found):
        return []
    body = []
    for s in found:
        usual = "not enough to say"
        if s.among and math.isfinite(s.among.low):
            usual = f"{numbers.number(s.among.low)} to {numbers.amount(s.among.high, s.figure.unit)}"
        off = numbers.listing(list(s.taken_off)) if s.taken_off else "nothing"
        now = numbers.amount(s.value, s.figure.unit)
        body.append((s.figure.words, now, s.words, usual, off, s.past_words))
    head = ("Figure", "Now", "Among peers", "Usual for such a unit (90 %)", "Taken off", "Against its own past")
    note = Note(
        "Peers of this profile, with what is named as taken off explained by a regression in which this unit is one of "
        "them: if it is, each rank is as likely as any other, so that one figure in ten lies outside its usual range."
    )
    return [PageTable("Among true peers, and against its own past", head, body), note]


def _before(con: duckdb.DuckDBPyConnection, facts: Facts) -> list[Block]:
    """Other units with the same findings, and how many of them got a stop-use finding then or later."""
    if not facts.findings:
        return []
    profile = facts.about["profile"]
    now = rule_counts(con, profile)
    body = []
    for rule, title in {f["rule"]: f["title"] for f in facts.findings}.items():
        [ever] = ask(con, __name__, "herd_before", profile=profile, vehicle=facts.vehicle, rule=rule)
        counts = now.get(rule, RuleCounts(found=1, refused=0, vehicles=1))
        body.append((title, f"{counts.found} of {counts.judged}", str(ever["others"]), str(ever["stopped"])))
    head = ("Finding", "Now, of those judged", "Others ever told", "Stop-use then or later")
    note = Note(
        "Now: units with the finding, this one included, of those that could be judged on it. Others: units on which "
        "a scan ever told of it, and how many of them got a stop-use finding of any rule in that scan or later; it "
        "stands in for failures, returns and repairs, which are on record only as far as people entered them."
    )
    return [PageTable("The same findings on other units of this profile", head, body, frozenset({1, 2, 3})), note]


def _groups(found: list[Row], own: Row) -> list[tuple[str, list[Row]]]:
    groups = [("all of this profile", found)]
    keys = [key for key in ("batch", "firmware") if own[key]]
    return groups + [(f"{key} {own[key]}", [r for r in found if r[key] == own[key]]) for key in keys]


def _rank(members: list[Row], own: Row) -> str:
    above = sum(r["value"] > own["value"] for r in members)
    same = sum(r["value"] == own["value"] for r in members) - 1
    return f"{above + 1} of {len(members)} from the highest" + (f", equal with {same}" if same else "")


def _figure(
    metric: str, title: str, unit: str, groups: list[tuple[str, list[Row]]], own: Row, *, named: bool
) -> PageFigure:
    data: list[Spec] = []
    body: list[tuple[str, ...]] = []
    thinned = False
    for order, (name, members) in enumerate(groups):
        drawn = sorted((r for r in members if r is not own), key=lambda r: float(r["value"]))
        if len(drawn) > MOST_DOTS:
            drawn, thinned = [drawn[i] for i in np.linspace(0, len(drawn) - 1, MOST_DOTS).astype(int)], True
        data.append(_dots(order, drawn, unit, named))
        data.append(_own(order, own, unit, first=order == 0))
        values = np.array([r["value"] for r in members])
        body.append(
            (name, str(len(members)), *(numbers.number(float(q)) for q in np.quantile(values, (0.05, 0.5, 0.95))))
        )
    shown = numbers.unit(unit)
    height = 130 + 64 * len(groups)
    ticks = [label(f"{name} (n = {len(members)})") for name, members in groups]
    y = axis("", automargin=True, tickvals=list(range(len(groups))), ticktext=ticks, range=[len(groups) - 0.5, -0.5])
    spec = {"data": data, "layout": layout(height, yaxis=y, xaxis=axis(f"[{shown}]" if shown else "ratio"))}
    alt = f"Strips of dots, one vehicle each; this unit at {numbers.amount(own['value'], unit)}. " + "; ".join(
        f"{name}: median {row[3]}" for (name, _), row in zip(groups, body, strict=True)
    )
    note = f"This unit: {numbers.amount(own['value'], unit)} (diamond)."
    note += f" Of the largest strip every so many dots are drawn, {MOST_DOTS} in all." if thinned else ""
    head = ("Among", "n", "5 % below", "Median", "95 % below")
    name, said = f"peers-{metric.replace('_', '-')}", title + (f" [{shown}]" if shown else " [ratio]")
    return PageFigure(name, said, alt, spec, note, head=head, body=body, height=height)


def _dots(order: int, members: list[Row], unit: str, named: bool) -> Spec:
    """Peers as dots; what the pointer shows is a name only where names are allowed."""
    jitter = (np.arange(len(members)) * 0.618034 % 1 - 0.5) * 0.6  # spread evenly, the same each time
    trace = markers("peers", [r["value"] for r in members], (order + jitter).round(3).tolist(), "@line1")
    trace["marker"] |= {"size": 5, "opacity": 0.55}
    hover = f"%{{text}}: %{{x:.4g}} {numbers.unit(unit)}<extra></extra>"
    text = [label(r["vehicle"] if named else _unnamed(r)) for r in members]
    return trace | {"text": text, "hovertemplate": hover, "showlegend": False}


def _unnamed(row: Row) -> str:
    return "a peer" + (f" of batch {row['batch']}" if row["batch"] else "")


def _own(order: int, own: Row, unit: str, first: bool) -> Spec:
    trace = markers("this unit", [own["value"]], [order], "@strong", "diamond", showlegend=first)
    trace["marker"] |= {"size": 14, "line": {"color": "@card", "width": 2}}
    return trace | {"hovertemplate": f"this unit: %{{x:.4g}} {numbers.unit(unit)}<extra></extra>"}
