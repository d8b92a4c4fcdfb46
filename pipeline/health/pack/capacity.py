"""Pack capacity over the record: charge counted between anchors, across sessions, with its error.

An anchor is a moment whose charge is known from outside the counting (events `charge_anchor`). Between two of them, far
enough apart in charge, capacity = counted Ah over the difference (charge_ledger.py). A chain is refused when a session
in it was not recorded whole, or when the reported charge shows that much happened between two sessions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from herdbook.pipeline.health.pack.charge_ledger import ChargeLedger
from herdbook.pipeline.health.reading import event_table
from herdbook.pipeline.health.rule import Record

LEAST_SPAN_PCT = 60.0
GAIN = 0.01  # current sensor's gain error when the profile names none (engineering choice)
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
    ledger = ChargeLedger.of(record.metrics)
    rows = anchors.with_columns(pl.col("start_t").cast(pl.Int64)).to_dicts()
    out = []
    for i, low in enumerate(rows):
        if low["item"] != "low" or low["soc_pct"] <= 0.0:  # past the table's end nobody knows how far
            continue
        before = next((r for r in reversed(rows[:i]) if r["item"] == "full"), None)
        after = next((r for r in rows[i + 1 :] if r["item"] == "full"), None)
        for a, b in ((before, low), (low, after)):
            if a is not None and b is not None:
                found = _between(ledger, a, b)
                if found is not None:
                    out.append(found)
    return sorted(out, key=lambda m: m.end)


def _between(ledger: ChargeLedger, a: dict[str, float], b: dict[str, float]) -> Measured | None:
    """What the report says of the gaps is a share of the pack and no count: it is taken off the span."""
    span = b["soc_pct"] - a["soc_pct"]
    start, end = int(a["start_t"]), int(b["start_t"])
    if abs(span) < LEAST_SPAN_PCT or end - start > LONGEST_H * 3.6e9:
        return None
    counted = ledger.between(start, a["run_ah"], end, b["run_ah"])
    if counted is None or not ledger.hours(start, end) > 0:
        return None
    seen = span - (counted.unseen.up_pct - counted.unseen.down_pct)
    if not abs(seen) >= LEAST_SPAN_PCT or (counted.out_ah > 0) != (seen < 0):
        return None
    ah = -100 * counted.out_ah / seen
    anchors = float(np.sqrt(a["se_pct"] ** 2 + b["se_pct"] ** 2 + counted.unseen.se_pct**2)) / abs(seen)
    own = ah * float(np.hypot(anchors, counted.se_ah / abs(counted.out_ah)))
    return Measured(ah=ah, se=float(np.hypot(own, GAIN * ah)), random_se=own, span_pct=abs(span), start=start, end=end)
