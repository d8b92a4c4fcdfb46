"""What a raised version does to a store: a metric set's measures the record again, a rule's only judges it again."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial

import pytest

import tests.toy.logs as toy
from herdbook.pipeline.assess import versions
from herdbook.pipeline.assess.assess import Assessed, assess
from herdbook.pipeline.assess.commit import commit_assessed
from herdbook.pipeline.assess.plan import vehicles_touched
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.metrics import all_sets
from herdbook.pipeline.store.publish import publish
from herdbook.pipeline.vehicle.chemistry import chemistry_version
from tests.toy.bench import RESULTS, Bench

VEHICLE = "TOY-007"


@pytest.fixture
def stored(bench: Bench) -> Iterator[Bench]:
    """A store with one assessed day; versions are worked out anew when a test changes them, and again after it."""
    toy.write(bench.inbox / "a.log", toy.day())
    bench.scan()
    yield bench
    _forget()


def _forget() -> None:
    for cached in (versions.measuring_version, versions.rule_set_version):
        cached.cache_clear()


def raised_set(patch: pytest.MonkeyPatch, name: str) -> None:
    sets = all_sets()
    patch.setattr(versions, "all_sets", lambda: {**sets, name: replace(sets[name], version=sets[name].version + 1)})
    _forget()


def raised_rule(patch: pytest.MonkeyPatch, name: str) -> None:
    rules = all_rules()
    patch.setattr(versions, "all_rules", lambda: {**rules, name: replace(rules[name], version=rules[name].version + 1)})
    _forget()


def again(bench: Bench) -> Assessed:
    return assess(bench.store, VEHICLE)


def test_nothing_raised_measures_nothing(stored: Bench) -> None:
    _forget()
    assert again(stored).stretches == ()


def test_a_raised_metric_set_measures_the_record_again_and_once(stored: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    judged_by = again(stored).rule_set
    raised_set(monkeypatch, "use")
    done = again(stored)
    assert len(done.stretches) == 1
    assert done.measured.metrics.height > 0
    assert done.rule_set != judged_by, "other measurements are another verdict's base"
    before = stored.ask(RESULTS["metrics"])
    commit_assessed(stored.store, [done])
    assert again(stored).stretches == ()
    publish(stored.store)
    assert stored.ask(RESULTS["metrics"]) == before, "the same code gives the same numbers"


def test_a_raised_rule_judges_again_and_measures_nothing(stored: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    judged_by = again(stored).rule_set
    raised_rule(monkeypatch, "weak_group")
    done = again(stored)
    assert done.stretches == ()
    assert done.gone == ()
    assert done.rule_set != judged_by
    assert done.verdict.scores


def test_a_raised_chemistry_measures_its_own_packs_again(stored: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    known = chemistry_version

    def one_more(raised: str, name: str) -> int:
        return known(name) + (name.upper() == raised)

    monkeypatch.setattr(versions, "chemistry_version", partial(one_more, "NMC"))
    _forget()
    assert again(stored).stretches == ()
    monkeypatch.setattr(versions, "chemistry_version", partial(one_more, "LFP"))
    _forget()
    assert len(again(stored).stretches) == 1


def test_a_raised_rule_is_noticed_by_the_next_scan(stored: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """Within its budget a night; `herdbook backfill` does all at once."""
    raised_rule(monkeypatch, "weak_group")
    stored.scan()
    assert vehicles_touched(stored.store) == []
    assert stored.ask("SELECT DISTINCT rule_set FROM scores") == [(versions.rule_set_version(),)]
