"""What a profile lacks is said once, to the check and to the engine; nothing is claimed that was not recorded."""

from __future__ import annotations

import ast
from dataclasses import replace
from pathlib import Path

import pytest

from herdbook.pipeline.health.engine import apply
from herdbook.pipeline.health.examples import profile
from herdbook.pipeline.health.judgeable import figures_needed, roles_missing, roles_needed, why_not
from herdbook.pipeline.health.rule import NotAssessed, Rule
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.health.rules._example_brakings import braked, refused
from herdbook.pipeline.metrics import all_sets
from herdbook.pipeline.vehicle.figures import MissingFigureError
from herdbook.pipeline.vehicle.roles import ROLES

RULES = list(all_rules().values())
METRICS = Path(__file__).parents[2] / "pipeline" / "metrics"


@pytest.mark.parametrize("rule", RULES, ids=lambda r: r.id)
def test_a_rule_whose_role_is_not_mapped_is_not_assessed(rule: Rule) -> None:
    """Even where its metrics are on record, from another profile or by another way: check and scan share one truth."""
    known = rule.cases().fires_on[0]
    for entry in roles_needed(rule):
        lacking = entry.split("|")
        kept = tuple(m for m in known.profile.roles if m.role not in lacking)
        said = apply(rule, replace(known, profile=replace(known.profile, roles=kept)))
        assert isinstance(said, NotAssessed)
        assert " or ".join(lacking) in said.reason
        assert roles_missing(rule, {m.role for m in kept}) == [" or ".join(lacking)]


@pytest.mark.parametrize("rule", RULES, ids=lambda r: r.id)
def test_what_a_rule_cannot_do_without_is_among_what_it_looks_at(rule: Rule) -> None:
    own = {role for entry in rule.must for role in entry.split("|")}
    assert own <= set(ROLES)
    assert not why_not(rule, profile())


def test_one_of_two_roles_is_enough() -> None:
    rule = all_rules()["regen_refused_unexplained"]
    have = set(ROLES) - {"pack_soc"}
    assert not roles_missing(rule, have)
    assert roles_missing(rule, have - {"cell_voltage"}) == ["pack_soc or cell_voltage"]


def test_a_set_names_the_figures_it_cannot_do_without() -> None:
    """By its text: whoever reads rated_ah, or calls for the range of steady current, names it, or asks whether it is
    given."""
    needing = {"rated_ah", "range_allowed_a", "rest_low"}
    for one in all_sets().values():
        text = (METRICS / f"{one.compute.__module__.rsplit('.', 1)[1]}.py").read_text("utf-8")
        nodes = list(ast.walk(ast.parse(text)))
        read = {n.attr for n in nodes if isinstance(n, ast.Attribute)} | {
            n.id for n in nodes if isinstance(n, ast.Name)
        }
        asks = 'given("rated_ah")' in text
        assert ("pack.rated_ah" in one.figures) == bool(read & needing and not asks), one.id


@pytest.mark.parametrize("rule", RULES, ids=lambda r: r.id)
def test_a_missing_figure_is_a_reason_and_no_error(rule: Rule) -> None:
    known = rule.cases().fires_on[0]
    bare = {k: v for k, v in known.profile.pack.items() if k != "rated_ah"}
    said = apply(rule, replace(known, profile=replace(known.profile, pack=bare)))  # raises nothing
    if "pack.rated_ah" in figures_needed(rule):
        assert isinstance(said, NotAssessed)
        assert "gives no [pack] rated_ah" in said.reason
    with pytest.raises(MissingFigureError):
        assert replace(known.profile, pack=bare).pack_figures.rated_ah


def test_a_drop_out_claims_nothing_of_limits_that_nobody_recorded() -> None:
    rule = all_rules()["regen_dropout"]
    lost = {"dropout_s": 0.6, "dropout_share": 1.0}
    unknown = apply(rule, braked(*[{**lost, "dropout_allowed_a": float("nan")}] * 5, *[{}] * 30))
    known = apply(rule, braked(*[{**lost, "dropout_allowed_a": 40.0}] * 5, *[{}] * 30))
    assert not isinstance(unknown, NotAssessed)
    assert not isinstance(known, NotAssessed)
    assert "what the limits allowed then is not recorded" in unknown[0].statement
    assert "the limits still allowed the current" in known[0].statement


def test_a_brake_that_a_full_pack_may_have_cut_is_no_drop_out_where_the_limits_are_not_recorded() -> None:
    lost = {"dropout_s": 0.6, "dropout_share": 0.1, "dropout_allowed_a": float("nan")}
    assert apply(all_rules()["regen_dropout"], braked(*[lost] * 3, *[{}] * 30)) == []


def test_a_refusal_names_nobody_where_the_limits_are_not_recorded() -> None:
    unknown = [refused("unreasoned", allowed_a=float("nan"))] * 4
    said = apply(all_rules()["regen_refused_unexplained"], braked(*unknown, *[{}] * 16))
    assert not isinstance(said, NotAssessed)
    assert "what the limits allowed is not recorded" in said[0].statement
