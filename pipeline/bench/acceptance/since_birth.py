"""Birth figures beside the newest of their kind: "resistance of group 7: 2.1 mOhm at birth, 2.9 now".

Both are made of one session's metrics in the same way (figures.py). Where another pack sits in the unit now, its
figures are not those of the pack that was tested, and that is said instead of a change.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from math import hypot

import polars as pl

from herdbook.pipeline.bench.acceptance.birth import BirthFigure
from herdbook.pipeline.bench.acceptance.figures import KINDS, PLAIN, Figure, figures_of, in_words
from herdbook.pipeline.vehicle.record import Metric

SURE = 3.5  # standard errors of a change: dozens of figures are compared at once (engineering choice)
_NEEDED = r"^(cell_dcr_|group_dcr_|temp_start_offset_k$)"


@dataclass(frozen=True, slots=True)
class SinceBirth:
    """now: None where no later session gives it; when: start of that session. other_pack: serial of the pack that sits
    in the unit now, where the tested one was another; "" else."""

    birth: BirthFigure
    now: Figure | None
    when: datetime | None
    other_pack: str = ""

    @property
    def words(self) -> str:
        return in_words(self.birth.figure, self.birth.item)

    @property
    def not_compared(self) -> str:
        """Why the two cannot be compared; "" where they can."""
        if self.other_pack:
            return "another pack"
        kind = KINDS.get(self.birth.figure)
        return f"differs with {kind.differs}" if kind is not None and kind.differs else ""

    @property
    def change(self) -> float | None:
        """Now less birth, in the figure's unit; None where the two are not of one thing, or there is no now."""
        return None if self.now is None or self.not_compared else self.now.value - self.birth.value

    @property
    def change_se(self) -> float | None:
        """Its standard error; None where one of the two is not known."""
        if self.change is None or self.now is None or self.now.se is None or self.birth.se is None:
            return None
        return hypot(self.now.se, self.birth.se)

    @property
    def beyond_errors(self) -> bool:
        """Whether it has changed by more than its errors explain."""
        se = self.change_se
        return self.change is not None and se is not None and abs(self.change) > SURE * se

    @property
    def size(self) -> float:
        """How large the change is in its own errors; 0 where that is not known."""
        se = self.change_se
        return abs(self.change) / se if self.change is not None and se else 0.0


def since_birth(
    births: Sequence[BirthFigure], metrics: pl.DataFrame, starts: Sequence[datetime], pack: str
) -> list[SinceBirth]:
    """One for each birth figure, in its order. metrics: of the vehicle, as in Facts. starts: of the sessions that
    count, naive UTC; those of the test itself are no later life. pack: serial of the pack seen last, "" for none."""
    later = _newest(metrics, starts, max((b.to_t for b in births), default=None))
    out = []
    for birth in births:
        found = later.get(birth.figure, {}).get(birth.item)
        of_pack = birth.figure in KINDS and KINDS[birth.figure].part == "pack"
        other = pack if of_pack and pack and birth.pack and pack != birth.pack else ""
        out.append(SinceBirth(birth, found[0] if found else None, found[1] if found else None, other))
    return out


def _newest(
    metrics: pl.DataFrame, starts: Sequence[datetime], after: datetime | None
) -> dict[str, dict[str, tuple[Figure, datetime]]]:
    """By figure and item: all items of a figure from one session, the newest that gives any."""
    if after is None or not metrics.height:
        return {}
    wanted = metrics.filter(
        (pl.col("start_t") > after)
        & pl.col("start_t").is_in(list(starts))
        & (pl.col("name").is_in(list(PLAIN)) | pl.col("name").str.contains(_NEEDED))
    )
    out: dict[str, dict[str, tuple[Figure, datetime]]] = {}
    for part in reversed(wanted.sort("start_t").partition_by("start_t", maintain_order=True)):
        when = part["start_t"][0]
        kind = part["kind"][0]
        rows = part.select("name", "value", "unit", "se", "n", "coverage", "item").iter_rows()
        fresh: dict[str, dict[str, tuple[Figure, datetime]]] = {}
        for figure in figures_of((Metric(*row) for row in rows), kind):
            if figure.name not in out:
                fresh.setdefault(figure.name, {})[figure.item] = figure, when
        out |= fresh
    return out
