"""Of the herd's page: in which months findings began, and how right the rules were by what people found."""

from __future__ import annotations

from typing import TYPE_CHECKING

from herdbook.pipeline.herd.calendar import calendar
from herdbook.pipeline.herd.outcomes import outcomes
from herdbook.pipeline.reports.herd.forest import Branch, Ground, forest
from herdbook.pipeline.reports.page.blocks import Block, Drawn, Leaf, Note, PageTable
from herdbook.pipeline.reports.page.figure import PageFigure, Spec, axis, label, layout
from herdbook.pipeline.reports.words import numbers

if TYPE_CHECKING:
    import duckdb

MOST_RULES, MOST_MONTHS = 24, 36
PALE_TO_DARK = [[0.0, "@neutral"], [0.5, "#eda268"], [1.0, "#a63c06"]]


def months_leaf(con: duckdb.DuckDBPyConnection, titles: dict[str, str]) -> Leaf:
    found = calendar(con)
    months, rules = found.months[-MOST_MONTHS:], found.rules[:MOST_RULES]
    if not months:
        none = Note("No scan has told a service or stop-use finding.", "absent")
        return Leaf("months", "When findings began", blocks=[none])
    lead = "Vehicles on which a scan newly told a service or stop-use finding, by the month of its first evidence."
    if len(months) == 1:
        counts = [(titles.get(r, r), str(found.count[r, months[0]])) for r in rules if (r, months[0]) in found.count]
        table = PageTable(f"Vehicles by finding, {months[0]:%Y-%m}", ("Finding", "Vehicles"), counts, frozenset({1}))
        return Leaf("months", "When findings began", lead, [table])
    z = [[float(found.count[r, m]) if (r, m) in found.count else None for m in months] for r in rules]
    most = max(v for row in z for v in row if v is not None) if any(v for row in z for v in row) else 1.0
    names = [titles.get(r, r) for r in rules]
    trace: Spec = {
        "type": "heatmap",
        "z": z,
        "x": list(range(len(months))),
        "y": [label(n) for n in names],
        "zmin": 0.0,
        "zmax": most,
        "colorscale": PALE_TO_DARK,
        "xgap": 1,
        "ygap": 1,
        "colorbar": {"title": {"text": "vehicles"}, "thickness": 12, "outlinewidth": 0},
    }
    every = max(1, len(months) // 8)
    ticks = {"tickvals": list(range(0, len(months), every)), "ticktext": [f"{m:%Y-%m}" for m in months][::every]}
    height = 120 + 24 * len(rules)
    y = axis("", autorange="reversed", type="category", automargin=True)
    x = axis("Month of the first evidence (UTC)", **ticks)
    figure = PageFigure(
        id="months-map",
        title="Vehicles by finding and month",
        alt=f"Map of {len(rules)} findings by {len(months)} months; darker is more vehicles, {most:g} at most.",
        spec={"data": [trace], "layout": layout(height, xaxis=x, yaxis=y, showlegend=False)},
        note=f"Findings {len(rules)} of {len(found.rules)}, the most frequent first. An empty cell: none began then.",
        head=("Finding", *(f"{m:%Y-%m}" for m in months)),
        body=[(n, *("" if v is None else f"{v:.0f}" for v in row)) for n, row in zip(names, z, strict=True)],
        height=height,
    )
    return Leaf("months", "When findings began", lead, [Drawn(figure)])


def outcomes_leaf(con: duckdb.DuckDBPyConnection, titles: dict[str, str]) -> Leaf:
    rules, complaints = outcomes(con)
    decided = [r for r in rules if r.precision is not None]
    blocks: list[Block] = []
    if decided:
        branches = []
        for r in decided:
            share = 100 * (r.precision or 0.0)
            name = f"{titles.get(r.rule, r.rule)} (n = {r.confirmed + r.refuted})"
            told = f"{share:.0f} % ({100 * r.low:.0f} to {100 * r.high:.0f})"
            counts = (str(r.told), str(r.confirmed), str(r.refuted), str(r.open))
            branches.append(Branch(name, share, 100 * r.low, 100 * r.high, False, (name, *counts, told)))
        head = ("Finding", "Told", "Confirmed", "Refuted", "Open", "Right (95 %)")
        ground = Ground("Confirmed of those decided [%]", 100.0, head, span=(0.0, 100.0), keys=False)
        note = "Exact intervals. Nobody drew by lot what was inspected: the others may be better or worse."
        blocks.append(Drawn(forest("outcomes-forest", "How right each rule was on this fleet", branches, ground, note)))
    else:
        blocks.append(Note("Not enough to say: nothing in the service book confirms or refutes a finding.", "absent"))
    if rules:
        rows = [(titles.get(r.rule, r.rule), str(r.told), str(r.confirmed), str(r.refuted), str(r.open)) for r in rules]
        every = ("Finding", "Told", "Confirmed", "Refuted", "Open")
        blocks.append(PageTable("Every rule that told something", every, rows, frozenset({1, 2, 3, 4}), folded=True))
    if complaints.complaints:
        foreseen = complaints.complaints - len(complaints.unforeseen)
        blocks.append(
            Note(
                f"Of {numbers.plural(complaints.complaints, 'complaint')}, {foreseen} had a service or stop-use "
                "finding with evidence in the year before."
            )
        )
    lead = "By inspections that name a finding, and repairs that name one, which count as confirmed."
    return Leaf("outcomes", "How right the rules were", lead, blocks)
