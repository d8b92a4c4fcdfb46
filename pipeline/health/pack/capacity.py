"""Pack capacity over the record: charge counted between anchors, across sessions, with its error.

An anchor is a moment whose charge is known from outside the counting (events `charge_anchor`). Between two of them, far
enough apart in charge, capacity = counted Ah over the difference. A chain is refused when a session in it was not
recorded whole, or when the reported charge shows that something happened between two sessions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from herdbook.pipeline.health.pooled import pooled
from herdbook.pipeline.health.reading import event_table, metric_rows
from herdbook.pipeline.health.rule import Record

LEAST_SPAN_PCT = 60.0
LEAST_COVERAGE = 0.98
GAIN = 0.01  # current sensor's gain error when the profile names none (engineering choice)
ZERO_A = 0.05  # its zero error when no open switch showed it (engineering choice)
JUMP_PCT = 2.5  # reported charge may move by this much between sessions (engineering choice)
LONGEST_H = 96.0


@dataclass(frozen=True, slots=True)
class Measured:
    """Capacity of one chain. random_se without, se with what all chains share (gain of the sensor); Ah."""

    ah: float
    se: float
    random_se: float
    span_pct: float
    start: int  # us
    end: int


def capacities(record: Record) -> list[Measured]:
    """One figure for every low anchor and the nearest full anchor on either side, in time order."""
    anchors = event_table(record, "charge_anchor", ("soc_pct", "se_pct", "run_ah")).sort("start_t")
    if anchors.height < 2:
        return []
    chain = _ChargeChain.of(record)
    rows = anchors.with_columns(pl.col("start_t").cast(pl.Int64)).to_dicts()
    out = []
    for i, low in enumerate(rows):
        if low["item"] != "low" or low["soc_pct"] <= 0.0:  # past the table's end nobody knows how far
            continue
        before = next((r for r in reversed(rows[:i]) if r["item"] == "full"), None)
        after = next((r for r in rows[i + 1 :] if r["item"] == "full"), None)
        for a, b in ((before, low), (low, after)):
            if a is not None and b is not None:
                found = chain.between(a, b)
                if found is not None:
                    out.append(found)
    return sorted(out, key=lambda m: m.end)


@dataclass(frozen=True, slots=True)
class _ChargeChain:
    """Sessions in time order: start us, end us, net Ah out, coverage, reported charge at both ends (NaN: unknown)."""

    start: np.ndarray
    end: np.ndarray
    run: np.ndarray
    coverage: np.ndarray
    first: np.ndarray
    last: np.ndarray
    zero_a: float
    zero_se: float

    @staticmethod
    def of(record: Record) -> _ChargeChain:
        table = metric_rows(record, "pack_run_ah").select("start_t", "end_t", "value", "coverage")
        for name, column in (("pack_soc_start_pct", "first"), ("pack_soc_end_pct", "last")):
            found = metric_rows(record, name).select("start_t", pl.col("value").alias(column))
            table = table.join(found.unique("start_t", keep="first"), on="start_t", how="left")
        table = table.sort("start_t")
        zero = pooled(record, "pack_current_zero_a", most=20).get("")
        run, coverage, first, last = (table[c].to_numpy().astype(float) for c in ("value", "coverage", "first", "last"))
        start, end = (table[c].cast(pl.Int64).to_numpy() for c in ("start_t", "end_t"))
        value, se = (zero.value, zero.se) if zero else (0.0, ZERO_A)
        return _ChargeChain(
            start=start, end=end, run=run, coverage=coverage, first=first, last=last, zero_a=value, zero_se=se
        )

    def between(self, a: dict[str, float], b: dict[str, float]) -> Measured | None:
        i = int(np.searchsorted(self.start, a["start_t"], side="right")) - 1
        j = int(np.searchsorted(self.start, b["start_t"], side="right")) - 1
        span = abs(b["soc_pct"] - a["soc_pct"])
        whole = i >= 0 and bool((self.coverage[i : j + 1] >= LEAST_COVERAGE).all())
        if not whole or span < LEAST_SPAN_PCT or not self._unbroken(i, j):
            return None
        hours = (
            float(
                (np.minimum(self.end[i : j + 1], b["start_t"]) - np.maximum(self.start[i : j + 1], a["start_t"])).sum()
            )
            / 3.6e9
        )
        if not 0 < hours <= LONGEST_H:
            return None
        out = float(self.run[i:j].sum()) - a["run_ah"] + b["run_ah"] - self.zero_a * hours
        if (out > 0) != (b["soc_pct"] < a["soc_pct"]):
            return None
        ah = 100 * abs(out) / span
        spread = float(np.hypot(a["se_pct"], b["se_pct"])) / span
        own = ah * float(np.hypot(spread, self.zero_se * hours / abs(out)))
        return Measured(
            ah=ah,
            se=float(np.hypot(own, GAIN * ah)),
            random_se=own,
            span_pct=span,
            start=int(a["start_t"]),
            end=int(b["start_t"]),
        )

    def _unbroken(self, i: int, j: int) -> bool:
        """Nothing was ridden or charged unseen between the sessions: the reported charge joins up, or they touch."""
        if i == j:
            return True
        gap_h = (self.start[i + 1 : j + 1] - self.end[i:j]) / 3.6e9
        jump = np.abs(self.first[i + 1 : j + 1] - self.last[i:j])
        return bool(((jump <= JUMP_PCT) | (np.isnan(jump) & (gap_h < 0.1))).all())
