"""Did a repair work? Its rule is asked again, of the record before it alone and of the record after it alone.

A quiet record after it proves something only as far as the finding would have shown: had nothing changed, the sessions
in which it showed would lie anywhere among all those in which it could. How likely it is that none of them lies after
the repair is counted exactly (R. A. Fisher, J. R. Stat. Soc. 98 (1935) 39: one-sided, margins fixed).
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from math import comb

import numpy as np
import polars as pl

from herdbook.pipeline.assess.kept_record import between
from herdbook.pipeline.health.engine import apply
from herdbook.pipeline.health.logging_habits import habit_of
from herdbook.pipeline.health.rule import Finding, NotAssessed, Record, Rule
from herdbook.pipeline.metrics import all_sets
from herdbook.pipeline.times import column_micros

SURE = 0.05  # chance of so quiet a record with nothing repaired, under which a repair counts as shown (as all 95 %)
MOST_MORE = 200  # sessions looked ahead: about a year of workdays; more is no advice
NOT_OF_ITSELF = ("_count", "_h", "_rows", "_readings", "_coverage")  # ends of figures that count chances to see a thing


@dataclass(frozen=True, slots=True)
class Worked:
    """One finding before and after. kinds: of session in which it showed. could, showed: sessions before it in which it
    could show, and did at least; could_after: sessions after. after: the finding as the record after it gives it, None:
    not found; refused: why the record after it cannot be judged, or "". chance: of so quiet a record after it, had
    nothing changed; None unless quiet. more: further quiet sessions that bring it under 5 %, None past MOST_MORE.
    habit: what to log so that the rule can judge."""

    rule: Rule
    item: str
    before: Finding | None
    why_not_before: str
    kinds: tuple[str, ...]
    could: int
    showed: int
    could_after: int
    after: Finding | None
    refused: str
    chance: float | None
    more: int | None
    habit: str

    @property
    def certain(self) -> bool:
        return self.chance is not None and self.chance <= SURE


def worked(record: Record, rule: Rule, item: str, from_t: int, to_t: int) -> list[Worked]:
    """Every finding of the rule (of that item, "" for all) before from_t, held against the record from to_t on;
    microseconds UTC. One entry without a finding where the record before it has none."""
    old, new = between(record, None, from_t), between(record, to_t, None)
    then, now = apply(rule, old), apply(rule, new)
    found = [] if isinstance(then, NotAssessed) else [f for f in then if item in ("", f.item)]
    refused = now.reason if isinstance(now, NotAssessed) else ""
    still = {} if isinstance(now, NotAssessed) else {f.item: f for f in now}
    if not found:
        why = then.reason if isinstance(then, NotAssessed) else "the record before it does not show it"
        fresh = still.get(item) or (next(iter(still.values()), None) if not item else None)
        no_chance = _chances(rule, new, ())
        return [Worked(rule, item, None, why, (), 0, 0, no_chance, fresh, refused, None, None, _habit(rule, refused))]
    return [_one(rule, old, new, f, still.get(f.item), refused) for f in found]


def _one(rule: Rule, old: Record, new: Record, found: Finding, after: Finding | None, refused: str) -> Worked:
    starts, ends = (column_micros(old.sessions[name]) for name in ("start_t", "end_t"))
    inside = [bool(any(w.start < e and w.end > s for w in found.windows)) for s, e in zip(starts, ends, strict=True)]
    shown = [kind for kind, hit in zip(old.sessions["kind"].to_list(), inside, strict=True) if hit]
    kinds = tuple(kind for kind, _ in Counter(shown).most_common())
    could, could_after = max(_chances(rule, old, kinds), len(shown)), _chances(rule, new, kinds)
    quiet = after is None and not refused
    return Worked(
        rule=rule,
        item=found.item,
        before=found,
        why_not_before="",
        kinds=kinds,
        could=could,
        showed=len(shown),
        could_after=could_after,
        after=after,
        refused=refused,
        chance=by_chance(could, len(shown), could_after) if quiet else None,
        more=None if after else more_quiet(could, len(shown), could_after),
        habit=_habit(rule, refused),
    )


def _habit(rule: Rule, refused: str) -> str:
    return habit_of(rule, refused)


def _chances(rule: Rule, record: Record, kinds: tuple[str, ...]) -> int:
    """Sessions of these kinds (all when none is named) that gave the rule something to look at."""
    rows = record.metrics.filter(pl.col("name").is_in(list(rule.needs)))
    if kinds:
        rows = rows.filter(pl.col("kind").is_in(list(kinds)))
    return int(np.unique(column_micros(rows["start_t"])).size)


def by_chance(could: int, showed: int, quiet: int) -> float:
    """Probability that all `showed` of could + quiet sessions lie among the first `could`, dealt at random."""
    return comb(could, showed) / comb(could + quiet, showed)


def more_quiet(could: int, showed: int, quiet: int) -> int | None:
    """How many further quiet sessions make that as rare as SURE; 0: it is now; None: more than MOST_MORE would not."""
    if not showed:
        return None
    return next((n for n in range(MOST_MORE + 1) if by_chance(could, showed, quiet + n) <= SURE), None)


def figures_of(rule: Rule) -> frozenset[str]:
    """Names of the figures that tell what the rule judges: those of the metric sets that it needs."""
    from herdbook.pipeline.herd.use_figures import tells_use

    sets = [s for s in all_sets().values() if any(name in s.gives for name in rule.needs)]
    own = {name for name in rule.needs if not name.endswith(NOT_OF_ITSELF)}
    return frozenset({name for s in sets for name in s.gives if not tells_use(name)} | own)
