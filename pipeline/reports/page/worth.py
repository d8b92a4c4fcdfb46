"""Whether a figure says more than its numbers: one point or one bar is told as a number, not drawn."""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.reports.page.blocks import Block, Drawn, Note, PageTable
from herdbook.pipeline.reports.page.figure import PageFigure, Spec
from herdbook.pipeline.reports.page.still.scale import as_numbers


def worth_drawing(block: Block) -> list[Block]:
    """The block itself, or in place of a figure with nothing to compare its numbers."""
    if not isinstance(block, Drawn) or _compares(block.figure.spec):
        return [block]
    return _told(block.figure)


def _told(figure: PageFigure) -> list[Block]:
    if not figure.body:
        return [Note(f"{figure.title}: a single reading, too few for a figure. {figure.note}".strip())]
    numeric = frozenset(range(1, len(figure.head)))
    return [PageTable(figure.title, figure.head, figure.body, numeric)]


def _compares(spec: Spec) -> bool:
    """True where two marks stand apart along the axis of time, or two stand at all where there is none."""
    if any(trace["type"] == "heatmap" for trace in spec["data"]):
        return any(len(trace["x"]) > 1 for trace in spec["data"])
    if spec["layout"].get("xaxis", {}).get("type") == "date" and all(t["type"] == "scatter" for t in spec["data"]):
        times = [as_numbers(trace["x"]) for trace in spec["data"]]
        return len(np.unique(np.concatenate([t[np.isfinite(t)] for t in times]))) > 1 if times else False
    return sum(_marks(trace) for trace in spec["data"]) > 1


def _marks(trace: Spec) -> int:
    values = trace["x" if trace.get("orientation") == "h" else "y"]
    if isinstance(values, list) and any(isinstance(v, str) for v in values):
        values = trace["x"]
    return int(np.isfinite(as_numbers(values)).sum())
