"""Every key of a test plan, one line each: what its check, its messages and its list for people are made from.

[plan]           who set it, why, with what risk
[[step]]         kind, name, and the keys of that kind (steps/)
[[step.check]]   what is measured in it, its limits with unit, and why
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date

from herdbook.pipeline.bench.acceptance.step_kind import StepKind
from herdbook.pipeline.vehicle.figures import FigureLine, Figures, Flag, Number, Text, Usual
from herdbook.pipeline.vehicle.problems import nearest
from herdbook.pipeline.vehicle.profile_tables import Day

RISK_PCT = 5.0  # of accepting a value that lies outside, where the plan names none (common practice)
COVERAGE = 0.95  # of the time a figure needs, below which it decides nothing (engineering choice)
TAKES = ("mean", "highest", "lowest", "first", "last", "rise")
STOPS = ("stop-use", "service")


class OneOf(FigureLine[str]):
    """One of a few words; the first where the plan gives none."""

    kind = "text"

    def __init__(self, words: tuple[str, ...], meaning: str) -> None:
        super().__init__("", -math.inf, math.inf, meaning, default=words[0])
        self.words = words

    def read(self, figures: Figures) -> str:
        found = figures.raw.get(self.key)
        return found if isinstance(found, str) else self.words[0]

    def wrong(self, value: object) -> str:
        if value in self.words:
            return ""
        near = nearest(value, self.words) if isinstance(value, str) else ""
        return (
            f"one of {', '.join(self.words)}. {near}" if near.startswith("Did") else f"one of {', '.join(self.words)}"
        )


class PlanKeys(Figures):
    table = "plan"
    name = Text("what the plan is called; it stands on the certificate")
    version = Text("its version, raised by whoever changes a limit")
    profile_ = Text("the profile (or family of profiles) it is for")
    set_by = Text("who set its limits")
    set_on = Day("when")
    why = Text("what it is for")
    caution = Text("what whoever tests must know beside the usual cautions")
    risk_pct = Usual(
        *("%", 0.001, 50, "highest chance of accepting a value that lies outside its limits, each value"),
        default="5",
        otherwise=lambda _: RISK_PCT,
    )
    findings = OneOf(STOPS, "a finding of the fleet's rules of this severity, or a graver one, fails the unit")


class StepKeys(Figures):
    table = "step"
    kind = Text("what is done")
    name = Text("what it is called; its kind when left out")
    why = Text("what it is for")
    caution = Text("what to be careful of in it")
    optional = Flag("a unit whose logs lack it may pass all the same")
    least_coverage = Usual(
        *("1", 0.1, 1, "share of the time a figure needs that must be recorded"),
        default="0.95",
        otherwise=lambda _: COVERAGE,
    )


class CheckKeys(Figures):
    table = "step.check"
    metric = Text("a figure of the metric sets, as `herdbook help metrics` lists them")
    role = Text("or a role, as `herdbook help profile` lists them, with `take`")
    reading = Text("or the name of an instrument's reading, in a step of kind reading")
    take = OneOf(
        TAKES, "of a role: mean; highest, lowest (median of three); first, last (tenth of the step); rise between"
    )
    item = Text('of one group, motor or sensor alone: "7", "left"; each by itself when left out')
    low = Number("", -1e12, 1e12, "lowest that conforms")
    high = Number("", -1e12, 1e12, "highest that conforms")
    unit = Text("of the limits")
    why = Text("why the limit is where it is")
    set_by = Text("who set it; whoever set the plan when left out")
    error = Number(
        "", 0, 1e12, "standard uncertainty that the log cannot tell, as of a sensor's calibration; 0 for a count"
    )
    least_coverage = Number("1", 0.1, 1, "another share of its time than the step's, as of a figure of travel at speed")
    error_why = Text("where that is from")
    risk_pct = Number("%", 0.001, 50, "another chance of wrong acceptance than the plan's")


NEEDED: dict[type[Figures], tuple[str, ...]] = {
    PlanKeys: ("name", "version", "profile", "set_by", "set_on", "why"),
    StepKeys: ("kind",),
    CheckKeys: ("unit", "why"),
}


def lines_of(kind: type[Figures], more: StepKind | None = None) -> Mapping[str, FigureLine[object]]:
    """The keys of a table by name; of a step those of its kind too."""
    own = {} if more is None else {line.key: line for line in more.keys.lines()}
    return {**{line.key: line for line in kind.lines()}, **own}


def day_of(value: date | None) -> str:
    return value.isoformat()[:10] if value else ""
