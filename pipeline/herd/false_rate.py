"""Are there more new findings than false ones alone would give? A rule's usual false rate against the night's count.

The rate is that of the labelled campaign of simulated vehicles (pipeline/health/judged.py): false findings per
vehicle-month of record. A night brings so many vehicle-months of new record; false findings in it are taken to be
Poisson distributed with the product as mean. The mean is only known to an upper end (95 %), and that is used, so a
count has to be clearly above it before it is called more than chance.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from herdbook.pipeline.herd.night import Night
from herdbook.pipeline.science.poisson import tail
from herdbook.pipeline.store.statements import ask

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.health.judged import JudgedSet

SURE = 0.01  # more than chance: this many or more would come up in fewer than one night in a hundred
MONTH_DAYS = 30.4375


@dataclass(frozen=True, slots=True)
class Chance:
    """New findings of one rule (rule "" for all). expected: false ones by the campaign's own rate; at_most: by the
    upper end of it; both None for a rule the campaign did not judge. p: of seen or more if all were false."""

    rule: str
    seen: int
    expected: float | None
    at_most: float | None
    p: float | None

    @property
    def words(self) -> str:
        if self.at_most is None or self.p is None:
            return "the campaign did not judge this rule"
        if self.p < SURE:
            return "more than false findings alone would give"
        return "no more than false findings alone may give; check one before calling many"


def vehicle_months(con: duckdb.DuckDBPyConnection, night: Night) -> float:
    """New record that the night brought, summed over vehicles."""
    return float(ask(con, __name__, "exposure", **night.window)[0]["days"]) / MONTH_DAYS


def chances(new: Iterable[str], months: float, judged: JudgedSet) -> list[Chance]:
    """Every rule with new findings, the most surprising first, after one line (rule "") for all judged rules together.

    new: the rule of each new finding. Empty also without new record: then nothing but rules can have changed."""
    seen: dict[str, int] = {}
    for rule in new:
        seen[rule] = seen.get(rule, 0) + 1
    if not seen or months <= 0:
        return []
    rows = [_one(rule, count, judged.false_per_100_months(rule), months) for rule, count in seen.items()]
    return [_all(seen, months, judged), *sorted(rows, key=lambda c: (1.0 if c.p is None else c.p, -c.seen, c.rule))]


def _one(rule: str, count: int, rate: tuple[float, float] | None, months: float) -> Chance:
    if rate is None:
        return Chance(rule, count, None, None, None)
    expected, at_most = (r / 100 * months for r in rate)
    return Chance(rule, count, expected, at_most, tail(count, at_most))


def _all(seen: Mapping[str, int], months: float, judged: JudgedSet) -> Chance:
    """All judged rules as one rule whose false findings are those of all: upper ends of several do not add up."""
    false = sum(c.false for c in judged.rules.values())
    one = next(iter(judged.rules.values()), None)
    count = sum(n for rule, n in seen.items() if rule in judged.rules)
    if one is None:
        return Chance("", count, None, None, None)
    rate = replace(judged, rules={"": replace(one, false=false)}).false_per_100_months("")
    return _one("", count, rate, months)
