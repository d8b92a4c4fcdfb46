"""Causes on the page: told from the lake's samples, with the moment, in order; and findings as one story."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from herdbook.pipeline.health.cause import Cause, Standing
from herdbook.pipeline.health.cause_tests import under
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.reports import write_dossier
from herdbook.pipeline.reports.dossier.causes import ShownCause, stories
from herdbook.pipeline.reports.dossier.evidence import lanes_of
from herdbook.pipeline.reports.facts import Facts, one_vehicle
from herdbook.pipeline.store.store import Store
from tests.toy import logs as toy
from tests.toy.bench import Bench


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    bench = Bench(tmp_path_factory.mktemp("causes"))
    toy.write(bench.inbox / "a.log", toy.day())
    bench.scan()
    return bench.store


def facts_of(store: Store) -> Facts:
    with store.read() as con:
        return one_vehicle(con, "TOY-007", "UTC")


def test_a_cause_on_the_page_carries_the_second_it_rests_on(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (finding,) = [f for f in facts_of(store).findings if f["windows"]][:1]
    rule = all_rules()[finding["rule"]]
    told = Cause(rule.causes[-1], under("motor_temp", 99.0, "the winding"))
    object.__setattr__(rule, "causes", (*rule.causes[:-1], told))
    try:
        text = write_dossier(store, "TOY-007", tmp_path).read_text("utf-8")
    finally:
        object.__setattr__(rule, "causes", (*rule.causes[:-1], str(told)))
    rows = re.findall(r'<tr class="([a-z-]+)"><th scope="row">(.*?)</th>(.*?)</tr>', text, re.DOTALL)
    standing, cause, said = rows[0]  # what the record supports stands first
    assert (standing, cause) == ("supported", str(told))
    assert "the winding falls to" in said
    assert re.search(r"First at <a [^>]*>2026-03-01 \d\d:\d\d:\d\d</a>", said)
    assert "herdbook wires TOY-007 motor_temp --since 2026-03-01T" in text  # below, where the rule is named


def test_what_follows_from_a_finding_is_told_with_it(store: Store) -> None:
    facts = facts_of(store)
    root = facts.findings[0] | {"finding": "a" * 64}
    child = facts.findings[0] | {"finding": "b" * 64}
    facts = Facts(**{f: getattr(facts, f) for f in facts.__dataclass_fields__} | {"findings": [root, child]})
    shown = ShownCause("cause", Standing.SUPPORTED.value, "", "", "", None, "", "a" * 12)
    assert stories(facts, {"b" * 64: [shown]}) == [(root, [child])]
    assert stories(facts, {"a" * 64: [shown]}) == []  # nothing follows from itself


def test_a_chain_is_told_under_its_root_and_two_that_name_each_other_do_not_loop(store: Store) -> None:
    facts = facts_of(store)
    rows = [facts.findings[0] | {"finding": letter * 64} for letter in "abc"]
    facts = Facts(**{f: getattr(facts, f) for f in facts.__dataclass_fields__} | {"findings": rows})

    def by(letter: str) -> ShownCause:
        return ShownCause("cause", Standing.SUPPORTED.value, "", "", "", None, "", letter * 12)

    leak, balance, early = rows
    assert stories(facts, {"b" * 64: [by("a")], "c" * 64: [by("b")]}) == [(leak, [balance, early])]
    both = stories(facts, {"a" * 64: [by("b")], "b" * 64: [by("a")]})
    assert sorted(len(rest) for _, rest in both) == [1, 1]


def test_states_and_fault_words_that_tell_causes_are_drawn_too() -> None:
    assert "motor_fault" in lanes_of("regen_dropout", ())
    assert "motor_fault" not in lanes_of("regen_dropout", ("motor_fault",))
    assert lanes_of("no_such_rule", ()) == ()
