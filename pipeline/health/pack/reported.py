"""How much a pack's reported charge is worth as a place on its curve, session by session.

A report counts current from wherever it was set last. Where a charge is seen to run to full, it can be checked: it is
then set right by what it was off, and trusted again until charge came unseen. A report that falls without a current
(electronics that give up under load call the pack empty) or stands at a stop tells nothing until it is set anew.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from herdbook.pipeline.arrays import Bools, Floats, Times
from herdbook.pipeline.health.reading import event_table
from herdbook.pipeline.health.rule import Record
from herdbook.pipeline.times import column_micros

# Shares of rated charge; engineering choices.
TRUSTED = 0.03  # a report that nothing speaks against
AT_FULL = 0.02  # a session that ran to full, from its end
LOST = 0.50  # one that has fallen, or stood at a stop: next to nothing
OFF = 0.05  # less is within what a report and a full charge may differ by
JUMP = 0.04  # of the report against the counted current, from one moment to the next
STOP = 0.015  # a report that stands at nothing
SET_ANEW = 0.90  # a report that comes back at so much was set by a full charge


@dataclass(frozen=True, slots=True)
class Placed:
    """Charge at a session's begin as a share, and its standard error; NaN where nothing tells."""

    start: float
    se: float


NOWHERE = Placed(float("nan"), float("nan"))


def places(record: Record, session: Times, said: Floats, run: Floats) -> dict[int, Placed]:
    """By start of the session (us). session, said, run (n,): of readings in order of time: the start of the session,
    the reported charge (NaN: none) and what has left since that start, as shares."""
    full = _fulls(record)
    most_off = max(
        (abs(gap) for k in full if np.isfinite(gap := full[k] - _base(said, run, session == k))), default=0.0
    )
    usual = TRUSTED if most_off < OFF else float(np.hypot(TRUSTED, 0.5 * most_off))
    out: dict[int, Placed] = {}
    shift, se, last = 0.0, usual, float("nan")
    lost = False
    for k in np.unique(session):
        mine = session == k
        base = _base(said, run, mine)
        if np.isfinite(base):
            if base > last + OFF:  # charge came unseen: to full, where the report is set, or not
                shift, se, lost = _after_unseen(base, shift, usual, lost)
            last = float(said[mine][np.isfinite(said[mine])][-1])
        if int(k) in full:
            out[int(k)] = Placed(full[int(k)], AT_FULL)
            if np.isfinite(base):
                off = full[int(k)] - base
                shift, se, lost = (off if abs(off) > OFF else 0.0), TRUSTED, False
        elif np.isfinite(base):
            out[int(k)] = Placed(base, LOST) if lost else Placed(base + shift, se)
        else:
            out[int(k)] = NOWHERE
        lost = lost or _falls(said, run, mine)
    return out


def _after_unseen(base: float, shift: float, usual: float, lost: bool) -> tuple[float, float, bool]:
    if base > SET_ANEW:
        return 0.0, usual, False
    return shift, float(np.hypot(usual, 0.5 * shift)), lost


def _fulls(record: Record) -> dict[int, float]:
    """Charge at the begin of each session that ran to full, by its start (us)."""
    rows = event_table(record, "charge_anchor", ("run_ah",))
    if not rows.height:
        return {}
    rows = rows.filter(pl.col("item") == "full")
    starts = column_micros(rows["session_start_t"])
    run = rows["run_ah"].to_numpy() / record.profile.pack_figures.rated_ah
    return {int(k): 1.0 + float(r) for k, r in zip(starts, run, strict=True)}


def _base(said: Floats, run: Floats, mine: Bools) -> float:
    """What the report says of the session's begin, from its readings up to the first that falls; NaN: nothing."""
    s, r = said[mine], run[mine]
    known = np.isfinite(s) & (s > STOP)
    if not known.any():
        return float("nan")
    base = (s + r)[known]
    falls = np.flatnonzero(np.abs(np.diff(base)) > JUMP)
    return float(np.median(base[: falls[0] + 1] if falls.size else base))


def _falls(said: Floats, run: Floats, mine: Bools) -> bool:
    known = np.isfinite(said) & mine
    base = (said + run)[known]
    return bool((np.diff(base) < -JUMP).any()) or bool((said[known] <= STOP).any())
