"""Does a finding hang on its limits? Its rule run again over the published record, with one limit moved at a time.

The rules are run as the scan runs them; only a limit differs. Where the published findings were made by another rule
set than this program's, nothing is run: the answer would be about other rules.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.record import profile_of, record_of, reference_of
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.store.statements import Row, ask

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.health.rule import Limit, Record, Rule
    from herdbook.pipeline.store.store import Store

STEP = 0.10  # a limit moved by a tenth either way; engineering choice


@dataclass(frozen=True, slots=True)
class Moved:
    """One limit moved down and up: what becomes of the finding."""

    limit: str
    down: str
    up: str
    holds: bool


@dataclass(frozen=True, slots=True)
class Steadiness:
    """moved: every limit of the rule. text: in a sentence. why_not: why nothing was run ("" when it was)."""

    moved: tuple[Moved, ...]
    text: str
    why_not: str = ""


def of_findings(store: Store, con: duckdb.DuckDBPyConnection, facts: Facts) -> dict[str, Steadiness]:
    """By finding id."""
    from herdbook.pipeline.assess.versions import rule_set_version
    from herdbook.pipeline.health.rules import all_rules
    from herdbook.pipeline.own.files import PREFIX, own_files

    if not facts.findings:
        return {}
    profile = profile_of(store, facts.about["profile"])
    if profile is None:
        return {f["finding"]: _none("the vehicle's profile is not in the store's folder") for f in facts.findings}
    record = with_messages(con, facts, record_of(facts, profile, reference_of(con, profile.name)))
    record = as_judged(con, record, store.settings.judge_days)
    out = {}
    today = rule_set_version(own_files(store).judging)
    for f in facts.findings:
        if f["rule_set"] == today and f["rule"].startswith(PREFIX):
            out[f["finding"]] = _none("it is a rule of this store's own, and pages are written without running those")
            continue
        if f["rule_set"] != today or f["rule"] not in all_rules():
            out[f["finding"]] = _none("it was made by another rule set than this program's; scan again first")
            continue
        out[f["finding"]] = judge_again(all_rules()[f["rule"]], record, f)
    return out


def with_messages(con: duckdb.DuckDBPyConnection, facts: Facts, record: Record) -> Record:
    """The record with the messages' cadence, which the catalogue keeps in a table of its own."""
    import polars as pl

    from herdbook.pipeline.metrics.messages import message_rows
    from herdbook.pipeline.reports.facts import table

    counted = table(con, __name__, "stretch_messages", vehicle=facts.vehicle)
    if not counted.height:
        return record
    return replace(
        record, metrics=pl.concat([record.metrics, message_rows(counted)]).sort("start_t", maintain_order=True)
    )


def as_judged(con: duckdb.DuckDBPyConnection, record: Record, days: float) -> Record:
    """The record's last days, as a scan lays them before the rules (pipeline/assess/plan.py)."""
    import polars as pl

    from herdbook.pipeline.assess.plan import judged_since

    end = ask(con, __name__, "record_end", vehicle=record.vehicle)[0]["end_us"]
    since = judged_since(end or 0, days)

    def late(frame: pl.DataFrame, key: str = "start_t") -> pl.DataFrame:
        return frame.filter(pl.col(key).to_physical() >= since)

    return replace(
        record,
        sessions=late(record.sessions),
        metrics=late(record.metrics),
        events=late(record.events, "session_start_t"),
    )


def _none(why: str) -> Steadiness:
    return Steadiness((), "", why)


def judge_again(rule: Rule, record: Record, f: Row) -> Steadiness:
    """Every limit of the rule moved by STEP, one at a time; first unmoved, to see that the record gives the finding."""
    if _verdict(rule, record, f, {}) != f["severity"]:
        return _none("its rule does not give it again on the published record")
    moved = tuple(_moved(rule, record, f, limit) for limit in rule.limits)
    loose = [m.limit for m in moved if not m.holds]
    if not loose:
        text = f"It stands with every limit of its rule moved by {STEP:.0%} either way, one at a time."
    else:
        text = f"It changes when {numbers.listing(loose)} moves by {STEP:.0%}: see the table."
    return Steadiness(moved, text)


def _moved(rule: Rule, record: Record, f: Row, limit: Limit) -> Moved:
    from herdbook.pipeline.health.engine import limits_of

    value = limits_of(rule, record.profile.limits, record.profile.pack_figures.of_chemistry)[limit.name]
    low, high = (_verdict(rule, record, f, {f"{rule.id}.{limit.name}": value * k}) for k in (1 - STEP, 1 + STEP))
    name = f"{limit.name.replace('_', ' ')} ({numbers.amount(value, limit.unit)})"
    return Moved(name, low, high, low == high == f["severity"])


def _verdict(rule: Rule, record: Record, f: Row, limits: dict[str, float]) -> str:
    """The severity the rule gives to the finding's item with these limits, or "not found"."""
    from herdbook.pipeline.health.engine import apply
    from herdbook.pipeline.health.packs import limit_free
    from herdbook.pipeline.health.rule import NotAssessed

    again = replace(record, profile=replace(record.profile, limits=record.profile.limits | limits))
    again.memo.update(limit_free(record))
    try:
        said = apply(rule, again)
        record.memo.update(limit_free(again))
    except HerdbookError:
        return "not judged"
    if isinstance(said, NotAssessed):
        return "not judged"
    return next((x.severity for x in said if x.item == f["item"]), "not found")
