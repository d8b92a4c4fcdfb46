"""Failures of parts by batch, as a table on the terminal."""

from __future__ import annotations

from collections.abc import Sequence

from herdbook.pipeline.commands.terminal import screen
from herdbook.pipeline.herd.batch_failures import BatchFailures
from herdbook.pipeline.science.strata import Ratio

COLUMNS = ("part", "batch", "failed", "of other batches", "over all (95 %)", "same site and zone (95 %)", "so it is")


def show(failures: Sequence[BatchFailures]) -> None:
    rows = [
        (
            f.part,
            f.batch,
            f"{f.failed} of {f.parts}",
            f"{f.other_failed} of {f.other_parts}",
            _ratio(f.crude),
            _ratio(f.ratio) if f.ratio else "–",
            f.words,
        )
        for f in failures
    ]
    note = "How many times as often a day as the others. False discovery rate of these comparisons 5 %."
    screen.table("Failures of parts by batch, from the service book", COLUMNS, rows, note=note)


def _ratio(r: Ratio) -> str:
    high = "open" if r.high == float("inf") else f"{r.high:.2f}"
    return f"{r.ratio:.2f} ({r.low:.2f} to {high})"
