"""The fleet beside it: where this unit stands among its peers, by batch and by firmware."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.health import herd_figures
from herdbook.pipeline.health.herd_figures import FIGURES, Figure
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.herd.standing import FEWEST, LAST, FigureStanding, standing
from herdbook.pipeline.reports.dossier.compared import COMPARED, Compared, limit_of, surprise
from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.packs import packs_of
from herdbook.pipeline.reports.page.blocks import Block, Drawn, Leaf, Note, PageTable
from herdbook.pipeline.reports.page.figure import PageFigure, Spec, axis, label, layout, markers
from herdbook.pipeline.reports.record import profile_of
from herdbook.pipeline.reports.rule_counts import RuleCounts, rule_counts
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.store.statements import Row, ask
from herdbook.pipeline.vehicle.profile import Profile

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.store.store import Store

ORDER = 90  # place in the dossier
MOST_DOTS = 1500  # peers drawn one by one; beyond it every so many in order of value
LEAST_PEERS = 3
EVERYBODY, ROOM = "all of this profile", 18  # letters at a tick
MOST_DRAWN = 4  # of the figures, the most surprising ones; the others stand in the table


def leaf(store: Store, con: duckdb.DuckDBPyConnection, facts: Facts) -> Leaf:
    profile = profile_of(store, facts.about["profile"])
    found: list[tuple[float, Compared, Row, list[tuple[str, list[Row]]]]] = []
    [(of_its_profile,)] = con.execute(
        "SELECT count(*) FROM vehicles WHERE profile = ?", [facts.about["profile"]]
    ).fetchall()
    for one in COMPARED if of_its_profile > LEAST_PEERS else ():
        rows = ask(con, __name__, "peers", profile=facts.about["profile"], metric=one.metric, last=LAST)
        own = next((r for r in rows if r["vehicle"] == facts.vehicle), None)
        if own is None or len(rows) <= LEAST_PEERS:
            continue
        peers = [float(r["value"]) for r in rows if r is not own]
        found.append((surprise(float(own["value"]), peers), one, own, _groups(rows, own)))
    found.sort(key=lambda f: -abs(f[0]))
    blocks: list[Block] = [*_table(standing(con, facts.vehicle, _figures(found)), found, profile)]
    blocks += [
        Drawn(_figure(one, groups, own, limit=limit_of(one, profile), named=facts.peers_named))
        for _, one, own, groups in found[:MOST_DRAWN]
    ]
    blocks += _before(con, facts)
    lead = (
        f"This unit is the median of its newest {LAST} sessions; peers are the other vehicles of its profile that sent "
        "logs. The order is by how many spreads of its peers (1.4826 times their median absolute deviation) it stands "
        f"from their median; the first {MOST_DRAWN} are drawn, each dot a vehicle. Where a unit stands is a hint where "
        "to look and no verdict."
    )
    if packs_of(profile):
        lead += " Of the packs side by side the first is compared, here and wherever the fleet's vehicles are."
    return Leaf("peers", "The fleet beside it", lead, blocks)


def _figures(found: Sequence[tuple[float, Compared, Row, list[tuple[str, list[Row]]]]]) -> list[Figure]:
    """Those of a herd, and what is compared here beside them: by the session's largest item."""
    known = {f.metric for f in FIGURES}
    more = [one for _, one, _, _ in found if one.metric not in known]
    return [*FIGURES, *(Figure(one.metric, one.metric, one.title, one.unit, False, (), ages=False) for one in more)]


def _table(
    ranked: Sequence[FigureStanding],
    found: Sequence[tuple[float, Compared, Row, list[tuple[str, list[Row]]]]],
    profile: Profile | None,
) -> list[Block]:
    """Every figure once: what it is now, among its peers, the limit, and against the unit's own past."""
    of_metric = {s.figure.metric: s for s in ranked}
    body = []
    for _, one, _, _ in found:
        limit = limit_of(one, profile)
        held = "none" if limit is None else numbers.amount(limit, one.unit)
        if (s := of_metric.pop(one.metric, None)) is not None:  # None: no finite value
            body.append((one.title, *_ranked(s, held)))
    for s in of_metric.values():
        limit = herd_figures.limit_of(s.figure, profile.limits if profile else None)
        held = "none" if limit is None else numbers.amount(limit, s.figure.unit)
        body.append((f"{s.figure.words[:1].upper()}{s.figure.words[1:]}", *_ranked(s, held)))
    if not body:
        return [Note(f"No figure is on record for this unit and at least {LEAST_PEERS} of its peers.", "absent")]
    head = ("Figure", "This unit", "Among its peers", "Usual for such a unit (90 %)", "Limit", "Against its own past")
    note = Note(
        "Peers are held against this unit with what is named as taken off explained by a regression in which it is one "
        "of them: if it is, each rank is as likely as any other, and one figure in ten lies outside its usual range. "
        f"Under {FEWEST} peers nothing is said, and what fewer than {LEAST_PEERS} have may be left out. Its own past: "
        f"stretches of {LAST} sessions before the newest."
    )
    return [PageTable("Where this unit stands, what is most unusual first", head, body), note]


def _ranked(s: FigureStanding, limit: str) -> tuple[str, ...]:
    """The row of a figure behind its name."""
    among, usual = s.words, "not enough to say"
    if s.among:
        off = f"; {numbers.listing(list(s.taken_off))} taken off" if s.taken_off else ""
        among = f"{s.words} (percentile {s.among.percent:.0f}{off})"
        if math.isfinite(s.among.low):
            usual = f"{numbers.number(s.among.low)} to {numbers.amount(s.among.high, s.figure.unit)}"
    return numbers.amount(s.value, s.figure.unit), among, usual, limit, s.past_words


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
    groups = [(EVERYBODY, found)]
    keys = [key for key in ("batch", "firmware") if own[key]]
    return groups + [(f"{key} {own[key]}", [r for r in found if r[key] == own[key]]) for key in keys]


def _figure(
    one: Compared, groups: list[tuple[str, list[Row]]], own: Row, *, limit: float | None, named: bool
) -> PageFigure:
    metric, title, unit = one.metric, one.title, one.unit
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
    ticks = [label(_tick(name, len(members))) for name, members in groups]
    y = axis("", automargin=True, tickvals=list(range(len(groups))), ticktext=ticks, range=[len(groups) - 0.5, -0.5])
    made = layout(height, yaxis=y, xaxis=axis(f"[{shown}]" if shown else "ratio"))
    if limit is not None:
        made["shapes"] = [_limit_line(limit, len(groups))]
    spec = {"data": data, "layout": made}
    alt = f"Strips of dots, one vehicle each; this unit at {numbers.amount(own['value'], unit)}. " + "; ".join(
        f"{name}: median {row[3]}" for (name, _), row in zip(groups, body, strict=True)
    )
    note = f"This unit: {numbers.amount(own['value'], unit)} (diamond)."
    if limit is not None:
        note += f" Dashed: the limit of the rule “{all_rules()[one.rule].title}”, {numbers.amount(limit, unit)}."
    note += f" Of the largest strip every so many dots are drawn, {MOST_DOTS} in all." if thinned else ""
    head = ("Among", "n", "5 % below", "Median", "95 % below")
    name, said = f"peers-{metric.replace('_', '-')}", title + (f" [{shown}]" if shown else " [ratio]")
    return PageFigure(name, said, alt, spec, note, head=head, body=body, height=height)


def _tick(name: str, n: int) -> str:
    """As much as the axis has room for: "all, n = 9", "2025-12 B, n = 3"; the whole name stands in the numbers."""
    short = "all" if name == EVERYBODY else name.removeprefix("batch ")
    whole = f"{short}, n = {n}"
    return whole if len(whole) <= ROOM else short


def _limit_line(at: float, strips: int) -> Spec:
    line = {"color": "@stop", "width": 1.5, "dash": "dash"}
    return {"type": "line", "x0": at, "x1": at, "y0": -0.5, "y1": strips - 0.5, "line": line}


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
