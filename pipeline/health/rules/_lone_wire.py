"""A loose measuring wire whose other group is not read: its see-saw has one end alone.

Physics: what the wire between two groups drops is added to one and taken from the other. Where the other's own wire has
no contact, it reads nought or its range's end, and the see-saw is seen in one group. That group moves by itself at a
steady load, and neither its other neighbour nor the pack moves with it: no cell does that, and the wire to that
neighbour would move it too.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

OPPOSITE, COMMON, CORRELATION = "sense_pair_opposite_mv", "sense_pair_common_mv", "sense_pair_correlation"
ELSEWHERE = "sense_pair_elsewhere"
APART = 0.4  # correlation, without sign, over which the neighbour moves with it (engineering choice)


@dataclass(frozen=True, slots=True)
class LoneWire:
    """group: that moves; silent: its neighbour that is not read; size, se: of its movement, mV; share of the sessions
    since it began; sessions: in which it showed."""

    group: int
    silent: int
    size: float
    se: float
    share: float
    sessions: pl.DataFrame

    @property
    def pair(self) -> str:
        return "-".join(str(k) for k in sorted((self.group, self.silent)))

    @property
    def cells(self) -> str:
        return f"cells {self.pair}"


def lone_wires(table: pl.DataFrame, unread: set[str], limits: Mapping[str, float]) -> list[LoneWire]:
    """table: one row per session and pair, as loose_sense_wire has it. unread: groups whose readings are a wire's."""
    silent = {int(item) for item in unread}
    read = [pl.col("item").str.split("-").list.get(k).cast(pl.Int64) for k in (0, 1)]
    rows = table.with_columns(lower=read[0], upper=read[1]).filter(
        ~pl.col("lower").is_in(list(silent)), ~pl.col("upper").is_in(list(silent))
    )
    # Of a pair of which one moves: opposite and common movement are half of it each
    moves = (2.0 * (pl.col(OPPOSITE) ** 2 + pl.col(COMMON) ** 2)).sqrt()
    rows = rows.with_columns(moves=moves, usual=moves.median().over("start_t"))
    out = []
    for group in sorted({k + way for k in silent for way in (-1, 1)} - silent):
        beside = next(k for k in (group - 1, group + 1) if k in silent)
        outer, next_out = 2 * group - beside, 3 * group - 2 * beside
        mine = rows.filter(pl.col("lower") == min(group, outer), pl.col("upper") == max(group, outer))
        beyond = rows.filter(pl.col("lower") == min(outer, next_out), pl.col("upper") == max(outer, next_out))
        part = mine.join(beyond.select("start_t", beyond="moves"), on="start_t", how="inner", maintain_order="left")
        shown = part.filter(
            pl.col("moves") - limits["opposite"] > limits["z"] * 2.0 * pl.col("se"),
            pl.col("moves") > limits["over_others"] * pl.max_horizontal("usual", "beyond"),
            pl.col(CORRELATION).abs() < APART,
            pl.col(ELSEWHERE) < limits["elsewhere"],
        )
        if not shown.height:
            continue
        since = part.filter(pl.col("start_t") >= shown["start_t"].min())
        share = shown.height / since.height
        if share >= limits["agreement" if shown.height > 1 else "alone"]:
            worst = shown.sort("moves", descending=True).row(0, named=True)
            out.append(LoneWire(group, beside, worst["moves"], 2.0 * worst["se"], share, shown))
    return out
