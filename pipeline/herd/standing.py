"""Where one vehicle stands among its true peers (type, age, use, climate), and against its own past.

The figure of a vehicle is the middle of its newest LAST sessions. Peers are those of its type; what age, kilometres a
day and warmth of the pack explain is taken off (science/conformal.py). A rank says where to look and is no verdict.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.errors import NotKnownError
from herdbook.pipeline.health.herd_figures import FIGURES, Figure
from herdbook.pipeline.science.conformal import Standing, among
from herdbook.pipeline.store.statements import Row, ask

if TYPE_CHECKING:
    import duckdb

LAST = 10  # sessions (engineering choice)
FEWEST = 8  # peers; with fewer, ranks say next to nothing (engineering choice)
BLOCKS = 4  # of LAST sessions of its own past, at least (engineering choice)
ABOUT = {"age": "age", "km_a_day": "kilometres a day", "ageing": "warmth"}
KNOWN = 0.8  # of the peers must have what is to be taken off, else nobody's is (engineering choice)


@dataclass(frozen=True, slots=True)
class Own:
    """Of the vehicle's own earlier stretches of LAST sessions: how many lie lower, and higher, than the newest."""

    stretches: int
    lower: int
    higher: int


@dataclass(frozen=True, slots=True)
class FigureStanding:
    """value: of the newest n_own sessions. taken_off: what was taken off before ranking. among: None where there are
    too few peers, `why` then says so. past: None with too little of it."""

    figure: Figure
    value: float
    sessions: int
    taken_off: tuple[str, ...]
    among: Standing | None
    why: str
    past: Own | None

    @property
    def words(self) -> str:
        """Among peers, in a few words."""
        if self.among is None:
            return f"not enough to say: {self.why}"
        found = self.among
        side = "higher than" if found.lower >= found.higher else "lower than"
        return f"{side} {max(found.lower, found.higher)} of {found.n}"

    @property
    def past_words(self) -> str:
        if self.past is None:
            return "not enough of its own past"
        side = "higher than" if self.past.lower >= self.past.higher else "lower than"
        most = max(self.past.lower, self.past.higher)
        return f"{side} {most} of {self.past.stretches} earlier stretches"


def standing(con: duckdb.DuckDBPyConnection, vehicle: str, figures: Sequence[Figure] = FIGURES) -> list[FigureStanding]:
    """Of each of these figures that the vehicle has. Raises: NotKnownError for a vehicle without a record."""
    facts = {row["vehicle"]: row for row in ask(con, __name__, "use_facts")}
    if vehicle not in facts:
        raise NotKnownError(f"vehicle {vehicle!r} has no record", do="herdbook fleet lists those that have")
    profile = facts[vehicle]["profile"]
    found = []
    for figure in figures:
        rows = ask(con, __name__, "newest_values", profile=profile, figure=figure.metric, falls=figure.falls)
        values = {row["vehicle"]: np.array(row["values"], dtype=float) for row in rows}
        if vehicle in values:
            found.append(_standing(figure, vehicle, values, facts))
    return found


def _standing(figure: Figure, vehicle: str, values: dict[str, Floats], facts: dict[str, Row]) -> FigureStanding:
    own = values[vehicle]
    value = float(np.median(own[:LAST]))
    others = [name for name in values if name != vehicle]
    taken = _taken_off(facts, vehicle, others)
    peers = [name for name in others if all(facts[name][key] is not None for key in taken)]
    ranked, why = None, f"{len(peers)} peer{'s' * (len(peers) != 1)}"
    if len(peers) >= FEWEST:
        ranked = among(
            value,
            _about(facts[vehicle], taken),
            np.array([float(np.median(values[name][:LAST])) for name in peers]),
            np.array([_about(facts[name], taken) for name in peers]).reshape(len(peers), len(taken)),
        )
        why = "" if ranked else "none of its type is of such age and use"
    return FigureStanding(
        figure=figure,
        value=value,
        sessions=min(own.size, LAST),
        taken_off=tuple(ABOUT[key] for key in taken),
        among=ranked,
        why=why,
        past=_past(own),
    )


def _taken_off(facts: dict[str, Row], vehicle: str, others: Sequence[str]) -> list[str]:
    """What is known of the vehicle and of most of its peers, and not the same of all; one for each eight peers."""
    out = []
    for key in ABOUT:
        known = [facts[name][key] for name in others if facts[name][key] is not None]
        enough = len(known) >= max(KNOWN * len(others), FEWEST)
        if facts[vehicle][key] is not None and enough and len(set(known)) > 2:
            out.append(key)
    return out[: len(others) // FEWEST]


def _about(row: Row, keys: Sequence[str]) -> Floats:
    return np.array([float(row[key]) for key in keys])


def _past(own: Floats) -> Own | None:
    """own: the newest first."""
    blocks = [own[i : i + LAST] for i in range(LAST, own.size - LAST + 1, LAST)]
    if len(blocks) < BLOCKS:
        return None
    middles = np.array([np.median(b) for b in blocks])
    newest = float(np.median(own[:LAST]))
    return Own(len(blocks), int(np.sum(middles < newest)), int(np.sum(middles > newest)))
