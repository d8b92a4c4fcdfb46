"""What the store says of tests and births: read here, by pages, by studies of the line, by anybody.

In SQL the same are the views figures_tested (every figure of every test) and figures_at_birth (the yardstick of each
figure).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING

from herdbook.pipeline.store.statements import ask, has

if TYPE_CHECKING:
    import duckdb


@dataclass(frozen=True, slots=True)
class BirthFigure:
    """One figure of one test of one unit.

    figure, item: as in KINDS of acceptance/figures.py; item "7" for group 7, "" for the whole unit. value, se: in unit;
    se is one standard error of this test's measurement, None where it is not known. n: samples or events behind it.
    day: of the test, in the vehicle's zone; from_t, to_t: what was measured, naive UTC. line, who: "" where nobody
    said. verdict: of the whole test: "passed", "failed" or "not decided". pack, controller: serials by the bus, "" for
    none seen. logs: SHA-256 of each log of the test; acceptance: the test's own name.
    """

    vehicle: str
    figure: str
    item: str
    value: float
    unit: str
    se: float | None
    n: int
    step: str
    from_t: datetime
    to_t: datetime
    day: date
    line: str
    who: str
    verdict: str
    plan: str
    plan_version: str
    profile: str
    pack: str
    controller: str
    logs: tuple[str, ...]
    acceptance: str
    entered_t: datetime


def figures_tested(
    con: duckdb.DuckDBPyConnection,
    *,
    figure: str | None = None,
    vehicle: str | None = None,
    as_of: datetime | None = None,
) -> list[BirthFigure]:
    """Every figure of every test, in order of figure, item, vehicle and time: what a study of the line is made from.

    con: of a published store (`store.read()`). figure, vehicle: only these. as_of: only what had been entered by then,
    naive UTC. A test is one set of logs: repeated tests of one unit have logs of their own, and logs that were judged
    twice (by a newer plan, say) count once, as they were judged last. None in a store without tests.
    """
    return _read(con, "figures_tested", figure=figure, vehicle=vehicle, as_of=as_of)


def figures_at_birth(
    con: duckdb.DuckDBPyConnection,
    *,
    figure: str | None = None,
    vehicle: str | None = None,
    as_of: datetime | None = None,
) -> list[BirthFigure]:
    """The yardstick: of each vehicle, figure and item the first test that passed, else the first there was (its verdict
    says so), in order of figure, item and vehicle. Arguments as in figures_tested()."""
    return _read(con, "figures_at_birth", figure=figure, vehicle=vehicle, as_of=as_of)


def _read(con: duckdb.DuckDBPyConnection, name: str, **given: object) -> list[BirthFigure]:
    if not has(con, "acceptances"):  # published by an older Herdbook
        return []
    return [BirthFigure(**row | {"logs": tuple(row["logs"])}) for row in ask(con, __name__, name, **given)]
