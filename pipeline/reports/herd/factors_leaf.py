"""Of the herd's page: is it the batch? Findings and figures compared, as forests and tables."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from herdbook.pipeline.herd.batch_findings import batch_findings
from herdbook.pipeline.herd.batches import BatchRate
from herdbook.pipeline.herd.factors import FactorDifference, factor_differences
from herdbook.pipeline.reports.herd.forest import Branch, Ground, forest
from herdbook.pipeline.reports.page.blocks import Block, Drawn, Leaf, Note, PageTable
from herdbook.pipeline.reports.page.figure import PageFigure
from herdbook.pipeline.reports.words import numbers

if TYPE_CHECKING:
    import duckdb

MOST_LINES, MOST_FORESTS, MOST_ROWS = 16, 3, 40


def leaf(con: duckdb.DuckDBPyConnection, titles: dict[str, str]) -> Leaf:
    rates, small = batch_findings(con)
    differences, left_out = factor_differences(con)
    blocks: list[Block] = []
    told = [r for r in rates if r.ratio is not None and r.ratio.ratio > 0 and math.isfinite(r.ratio.ratio)]
    if told:
        blocks.append(Drawn(_of_findings(told[:MOST_LINES], len(rates), titles)))
    else:
        text = "Findings: not enough to say. No rule found three vehicles of a type with two batches of five and more "
        blocks.append(Note(text + "that share a site.", "absent"))
    figures = list(dict.fromkeys(d.figure.name for d in differences if d.within and d.factor != "season"))
    for name in figures[:MOST_FORESTS]:
        chosen = [d for d in differences if d.figure.name == name and d.within and d.factor != "season"]
        blocks.append(Drawn(_of_figure(chosen[:MOST_LINES])))
    if differences:
        head = ("Figure", "Type", "Factor", "Vehicles", "Difference (95 %)", "p of all", "Conclusion")
        left = f"; {MOST_ROWS} of {len(differences)} are shown" if len(differences) > MOST_ROWS else ""
        caption = f"{numbers.plural(len(differences), 'comparison')} of figures, the most surprising first{left}"
        blocks.append(PageTable(caption, head, [_row(d) for d in differences[:MOST_ROWS]], frozenset({3}), folded=True))
    else:
        text = "Figures: not enough to say. No two groups of five vehicles and more of one type have a figure."
        blocks.append(Note(text, "absent"))
    sentences = list(dict.fromkeys([*small, *left_out]))
    if sentences:
        body = [(f"{said}.",) for said in sentences]
        blocks.append(PageTable("What is not compared", ("What, and why",), body, folded=True))
    lead = (
        "Findings: vehicles found by kilometre, each batch against all others of its type, within sites and zones. "
        "Figures: each group against all others of its type, with the other factors, age, kilometres a day and warmth "
        "taken off, so that who rides where is not taken for what is built how."
    )
    return Leaf("factors", "Is it the batch, the firmware, the site, the season?", lead, blocks)


def _of_findings(rates: Sequence[BatchRate], every: int, titles: dict[str, str]) -> PageFigure:
    branches = []
    for r in rates:
        assert r.ratio is not None
        counts = (f"{r.own.hit} of {r.own.members}", f"{r.others.hit} of {r.others.members}")
        told = f"{r.ratio.ratio:.2f} ({r.ratio.low:.2f} to {r.ratio.high:.2f})"
        name = f"{r.batch}: {titles.get(r.about, r.about)}"
        branches.append(
            Branch(name, r.ratio.ratio, r.ratio.low, r.ratio.high, r.differs, (name, r.among, *counts, told, r.words))
        )
    head = ("Batch and finding", "Type", "Vehicles found", "Of other batches", "Times as often (95 %)", "Conclusion")
    ground = Ground("Times as often a kilometre as other batches", 1.0, head, log=True)
    all_of_them = numbers.plural(every, "comparison")
    shown = f"The {len(branches)} most surprising of {all_of_them}" if len(branches) < every else all_of_them
    note = f"{shown}. Diamond: differs, with all comparisons counted."
    return forest("forest-findings", "Findings by batch", branches, ground, note)


def _of_figure(chosen: Sequence[FactorDifference]) -> PageFigure:
    figure = chosen[0].figure
    unit = numbers.unit(figure.unit)
    branches = []
    for d in sorted(chosen, key=lambda d: (d.factor, d.level)):
        assert d.within is not None
        name = f"{d.factor} {d.level} (n = {d.vehicles})"
        branches.append(Branch(name, d.within.value, d.within.low, d.within.high, d.differs, _row(d)))
    head = ("Figure", "Type", "Factor", "Vehicles", "Difference (95 %)", "p of all", "Conclusion")
    ground = Ground(f"Difference to all others{f' [{unit}]' if unit else ''}", 0.0, head)
    words = f"{figure.words[:1].upper()}{figure.words[1:]}"
    note = "With the other factors, age, use and warmth taken off. Diamond: differs, with all comparisons counted."
    return forest(f"forest-{figure.name}", words + (f" [{unit}]" if unit else ""), branches, ground, note)


def _row(d: FactorDifference) -> tuple[str, ...]:
    told = "–"
    if d.within is not None:
        ends = (numbers.with_minus(f"{v:+.3g}") for v in (d.within.value, d.within.low, d.within.high))
        told = "{} ({} to {})".format(*ends)
    many = str(d.vehicles) if d.factor == "season" else f"{d.vehicles} of {d.vehicles + d.others}"
    return d.figure.words, d.profile, f"{d.factor} {d.level}", many, told, f"{d.adjusted:.2g}", d.words
