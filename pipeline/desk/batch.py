"""Is this unit like its batch? Its figures among those of its batch and of its profile, and who shares its findings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from starlette.responses import Response

from herdbook.pipeline.desk.desk import Asked
from herdbook.pipeline.desk.look import address
from herdbook.pipeline.desk.tables import TableQuestion, copies
from herdbook.pipeline.errors import NotKnownError
from herdbook.pipeline.herd.standing import LAST
from herdbook.pipeline.reports.dossier.compared import COMPARED
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.store.statements import Row, ask, statement

LEAST = 5  # others with a figure, under which a place among them says nothing
MANY = 20  # others from which on a tenth of them may lie outside
MOST_DOTS = 400
WIDTH = 460.0


@dataclass(frozen=True)
class Strip:
    """One figure: this unit among the others of a group. dots, own: places in WIDTH. rank: from the highest.
    first, last: what stands at the two ends."""

    title: str
    unit: str
    group: str
    n: int
    value: float
    low: float
    middle: float
    high: float
    rank: int
    dots: list[float]
    own: float
    outside: bool
    nearest: str
    first: float
    last: float
    whole: bool  # low and high are the lowest and highest of the others, who are few

    @property
    def words(self) -> str:
        return f"{self.title}: {self.place}"

    @property
    def place(self) -> str:
        """Of this unit among the others, in words."""
        span = f"{numbers.number(self.low)} to {numbers.amount(self.high, self.unit)}"
        where = "outside" if self.outside else "within"
        what = "the range of the others" if self.whole else "the middle 90 % of the others"
        return (
            f"{numbers.amount(self.value, self.unit)}, rank {self.rank} of {self.n} from the highest; "
            f"{where} {what}, {span}"
        )


def page(asked: Asked) -> Response:
    vehicle = asked.one("v")
    profile, batch = _about(asked, vehicle)
    wanted, sharing = figures_of(profile), shared_by(vehicle, profile, batch)
    with asked.store.read() as con:
        common = ask(con, __name__, "batch_rules", **sharing.given)
        by_metric: dict[str, list[Row]] = {}
        for row in ask(con, __name__, "batch_figures", **wanted.given):
            by_metric.setdefault(row["metric"], []).append(row)
        strips, few = [], []
        for one in COMPARED:
            rows = by_metric.get(one.metric, [])
            made = [s for group, of in _groups(rows, batch) if (s := strip(one.title, one.unit, group, of, vehicle))]
            strips += made
            if not made:
                few.append(one.title)
    return asked.page(
        "the_batch.html.j2",
        vehicle=vehicle,
        profile=profile,
        batch=batch,
        shared=common,
        strips=strips,
        few=few,
        last=LAST,
        width=WIDTH,
        beside=lambda other: address("/window", v=vehicle, b=other),
        figures_copied=copies(asked.store.folder, wanted.text()),
        shared_copied=copies(asked.store.folder, sharing.text()),
    )


def _about(asked: Asked, vehicle: str) -> tuple[str, str]:
    """Profile and batch ("" when it is not known). Raises: NotKnownError."""
    with asked.store.read() as con:
        about = con.execute("SELECT profile, coalesce(batch, '') FROM vehicles WHERE vehicle = ?", [vehicle]).fetchall()
    if not about:
        raise NotKnownError(f"vehicle {vehicle!r} is not in this store", do="See /fleet")
    return str(about[0][0]), str(about[0][1])


def figures_of(profile: str) -> TableQuestion:
    given = {"profile": profile, "metrics": [one.metric for one in COMPARED], "last": LAST}
    return TableQuestion(statement(__name__, "batch_figures"), given, {}, "metric, vehicle")


def shared_by(vehicle: str, profile: str, batch: str) -> TableQuestion:
    given = {"vehicle": vehicle, "batch": batch, "profile": profile}
    return TableQuestion(statement(__name__, "batch_rules"), given, {}, "rule")


def figures(asked: Asked) -> TableQuestion:
    return figures_of(_about(asked, asked.one("v"))[0])


def shared(asked: Asked) -> TableQuestion:
    return shared_by(asked.one("v"), *_about(asked, asked.one("v")))


def _groups(rows: list[Row], batch: str) -> list[tuple[str, list[Row]]]:
    near = [r for r in rows if batch and r["batch"] == batch]
    return ([(f"batch {batch}", near)] if near else []) + [("all of its profile", rows)]


def strip(title: str, unit: str, group: str, rows: list[Row], vehicle: str) -> Strip | None:
    """None where this unit has no such figure, or too few others have one."""
    own = next((float(r["value"]) for r in rows if r["vehicle"] == vehicle), None)
    others = [r for r in rows if r["vehicle"] != vehicle]
    if own is None or len(others) < LEAST:
        return None
    values = np.array([float(r["value"]) for r in others])
    few = len(others) < MANY
    low, middle, high = (float(q) for q in np.quantile(values, (0, 0.5, 1) if few else (0.05, 0.5, 0.95)))
    first, last = min(float(values.min()), own), max(float(values.max()), own)
    reach = (last - first) or 1.0

    def place(v: float) -> float:
        return round(8 + (WIDTH - 16) * (v - first) / reach, 1)

    drawn = np.sort(values)
    if drawn.shape[0] > MOST_DOTS:
        drawn = drawn[np.linspace(0, drawn.shape[0] - 1, MOST_DOTS).astype(int)]
    typical = min(others, key=lambda r: (abs(float(r["value"]) - middle), r["vehicle"]))
    return Strip(
        title=title,
        unit=unit,
        group=group,
        n=len(rows),
        value=own,
        low=low,
        middle=middle,
        high=high,
        rank=1 + int((values > own).sum()),
        dots=[place(float(v)) for v in drawn],
        own=place(own),
        outside=not low <= own <= high,
        nearest=str(typical["vehicle"]),
        first=first,
        last=last,
        whole=few,
    )
