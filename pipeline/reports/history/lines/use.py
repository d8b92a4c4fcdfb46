"""The lines about use: sessions, distance, energy, charge, standstill; sums with their coverage."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import polars as pl

from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.history.context import HistoryReader
from herdbook.pipeline.reports.history.statement import Source, Statement
from herdbook.pipeline.reports.words import numbers


@dataclass(frozen=True, slots=True)
class Sum:
    """A session figure summed over the record. metrics: the first name that the catalogue holds is taken."""

    metrics: tuple[str, ...]
    words: str


SUMS = (
    Sum(("distance_km", "distance"), "Distance driven"),
    Sum(("pack_out_wh",), "Energy taken from the pack"),
    Sum(("regen_energy_wh",), "Energy returned to the pack by braking"),
    Sum(("charge_ah",), "Charge taken in while charging"),
    Sum(("pack_cycles_efc",), "Equivalent full cycles of the packs"),
)
KINDS = {"ride": "ride", "charge": "charge", "rest": "rest", "bench": "session on a test bench"}


def lines(facts: Facts, reader: HistoryReader, sums: Sequence[Sum] = SUMS) -> Iterator[Statement]:
    for kind, name in KINDS.items():
        yield from _sessions(facts, kind, name)
    summed = list(summed_up(facts, reader, sums))
    yield from summed
    if summed:
        yield Statement("use", "Use without a record is in none of these figures.", "not known")


def summed_up(facts: Facts, reader: HistoryReader, sums: Sequence[Sum]) -> Iterator[Statement]:
    for figure in sums:
        yield from _sum(facts, reader, figure)


def _sessions(facts: Facts, kind: str, name: str) -> Iterator[Statement]:
    chosen = [s for s in facts.sessions if s["kind"] == kind]
    if not chosen:
        return
    lasted = [(s["end_t"] - s["start_t"]).total_seconds() for s in chosen]
    covered = sum(s["coverage"] * seconds for s, seconds in zip(chosen, lasted, strict=True))
    share = covered / max(sum(lasted), 1e-9)
    text = (
        f"{numbers.plural(len(chosen), name)} on record, {numbers.duration(sum(lasted))} in all; "
        f"{share:.0%} of that time is covered by data."
    )
    yield Statement(
        "use",
        text,
        "computed",
        chosen[0]["start_t"],
        chosen[-1]["end_t"],
        value=float(len(chosen)),
        unit="count",
        coverage=round(share, 4),
        logs=tuple(dict.fromkeys(g for s in chosen for g in s["logs"])),
        source=Source("sessions", {"kind": (kind,)}),
    )


def _sum(facts: Facts, reader: HistoryReader, figure: Sum) -> Iterator[Statement]:
    """One line; errors of sessions are taken as independent, a session without one adds none."""
    sessions = {s["start_t"]: s for s in facts.sessions}
    for metric in figure.metrics:
        rows = facts.metrics.filter(
            pl.col("name") == metric, pl.col("item") == "", pl.col("start_t").is_in(list(sessions))
        )
        if rows.height:
            break
    else:
        return
    unit = str(rows["unit"][0])
    scale = reader.distance(1.0) if unit == "km" else 1.0
    value = scale * float(rows["value"].sum())
    errors = rows["se"].drop_nulls()
    se = scale * float((errors**2).sum()) ** 0.5 if errors.len() else None
    unit = reader.units if unit == "km" else unit
    share = float(rows["coverage"].mean() or 0.0)  # type: ignore[arg-type]
    sessions_said = numbers.plural(rows.height, "session")
    text = f"{figure.words}: {numbers.amount(value, unit, se)} in {sessions_said}, {share:.0%} of their time covered."
    used = [sessions[t] for t in rows["start_t"]]
    yield Statement(
        "use",
        text,
        "computed",
        used[0]["start_t"],
        used[-1]["end_t"],
        value=round(value, 6),
        unit=unit,
        se=None if se is None else round(se, 6),
        coverage=round(share, 4),
        logs=tuple(dict.fromkeys(g for s in used for g in s["logs"])),
        source=Source("metrics", {"name": (metric,), "item": ("",)}),
    )
