"""Rules over several packs: each judges the record of its pack, and nothing of one is laid at another's door."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest

from herdbook.pipeline.health.engine import apply, judge
from herdbook.pipeline.health.packs import named, readings
from herdbook.pipeline.health.rule import Finding, NotAssessed, Record
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.vehicle.packs import marked
from herdbook.pipeline.vehicle.profile import Profile, load_profile
from tests.two_packs.vehicle import two_packs_text, write_profile

HEAD = "[[other_pack]]\n"
FAULTS = [r for r in all_rules().values() if r.each_pack and r.cases().fires_on and not r.id.startswith("temp_")]


@pytest.fixture(scope="module")
def twin(tmp_path_factory: pytest.TempPathFactory) -> Profile:
    return load_profile(write_profile(tmp_path_factory.mktemp("twin")))


def in_pack(of: Record, pack: int) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Its metrics and events as those of this pack."""
    metrics = of.metrics.with_columns(pl.col("name").map_elements(lambda n: marked(pack, n), pl.String))
    events = of.events.with_columns(pl.col("kind").map_elements(lambda n: marked(pack, n), pl.String))
    return metrics, events


def of_twins(fault: Record, packs: Sequence[int], twin: Profile) -> Record:
    """A vehicle of two packs of the example's kind; `packs` have what the example shows, the others nothing."""
    own = replace(twin, pack=fault.profile.pack, drive=fault.profile.drive, vehicle=fault.profile.vehicle)
    others = tuple(replace(own, number=p.number, roles=p.roles) for p in twin.others)
    tables = [in_pack(fault, pack) for pack in packs]
    metrics = pl.concat([m for m, _ in tables]).sort("start_t", "name", "item", maintain_order=True)
    events = pl.concat([e for _, e in tables])
    return replace(fault, profile=replace(own, others=others), metrics=metrics, events=events)


@pytest.mark.parametrize("rule", FAULTS, ids=lambda r: r.id)
@pytest.mark.parametrize("pack", [1, 2])
def test_what_a_rule_fires_on_is_found_in_the_pack_that_has_it(rule, pack, twin):  # type: ignore[no-untyped-def]
    for example in rule.cases().fires_on[:1]:
        alone = apply(rule, example)
        assert not isinstance(alone, NotAssessed)
        found = apply(rule, of_twins(example, [pack], twin))
        assert not isinstance(found, NotAssessed), found
        assert [f.item for f in found] == [f"pack {pack}, {f.item}" if f.item else f"pack {pack}" for f in alone]
        assert all(f.statement.startswith(f"Pack {pack}: ") for f in found)
        assert [(f.severity, f.measured, f.confidence) for f in found] == [
            (f.severity, f.measured, f.confidence) for f in alone
        ]


def test_both_packs_bad_are_two_findings(twin: Profile) -> None:
    rule = all_rules()["weak_group"]
    found = apply(rule, of_twins(rule.cases().fires_on[0], [1, 2], twin))
    assert not isinstance(found, NotAssessed)
    assert [f.item.split(",")[0] for f in found] == ["pack 1", "pack 2"]


def test_a_score_waits_for_the_pack_that_was_not_looked_at(twin: Profile) -> None:
    """A sound first pack is no word on the second: 100 would be read as both."""
    rule = all_rules()["group_under_voltage"]
    quiet = rule.cases().quiet_on[0]
    one = judge(of_twins(quiet, [1], twin), [rule])
    both = judge(of_twins(quiet, [1, 2], twin), [rule])
    assert one.not_assessed[0].reason.startswith("pack 2: not in the record")
    assert one.scores["cells"].score is None
    assert both.scores["cells"].score == 100.0


def test_a_doubt_about_one_pack_blocks_that_pack_alone(twin: Profile) -> None:
    rule = all_rules()["weak_group"]
    made = of_twins(rule.cases().fires_on[0], [1, 2], twin)
    for role, left in (("pack_2_pack_current", "pack 1"), ("pack_current", "pack 2")):
        found = apply(rule, replace(made, doubts={role: "the sign contradicts the voltage"}))
        assert not isinstance(found, NotAssessed)
        assert {f.item.split(",")[0] for f in found} == {left}
    brake = all_rules()["regen_dropout"]
    said = apply(brake, replace(made, doubts={"pack_2_pack_current": "the sign contradicts the voltage"}))
    assert isinstance(said, NotAssessed)
    assert said.reason == "the sign contradicts the voltage"


def test_a_fleets_figure_is_not_held_against_a_pack_of_another_kind(tmp_path: Path) -> None:
    text = two_packs_text()
    alike = load_profile(write_profile(tmp_path / "a"))
    other = load_profile(write_profile(tmp_path / "b", text.replace(HEAD, HEAD + "rated_ah = 20.0\n")))
    rule = all_rules()["hot_for_load"]
    known = pl.DataFrame({"name": ["x"], "item": [""], "value": [1.0], "spread": [0.1], "unit": ["1"], "n": [9]})
    for profile, rows in ((alike, 1), (other, 0)):
        base = replace(rule.cases().quiet_on[0], profile=profile, reference=known)
        first, second = readings(rule, base)
        assert first.record.reference.height == 1
        assert second.record.reference.height == rows


def test_limits_that_are_tried_hold_for_every_pack(twin: Profile) -> None:
    rule = all_rules()["weak_group"]
    made = of_twins(rule.cases().fires_on[0], [2], twin)
    tried = replace(made, profile=replace(made.profile, limits={"weak_group.look": 99.0, "weak_group.act": 99.0}))
    assert apply(rule, made)
    said = apply(rule, tried)
    assert isinstance(said, NotAssessed)
    assert "pack 2: with what was logged a group would show only from 99.0 times" in said.reason


@pytest.mark.parametrize(
    ("item", "said", "shown"),
    [
        ("cell 7", "Group 7 fell.", ("pack 2, cell 7", "Pack 2: group 7 fell.")),
        ("", "LFP cells fell.", ("pack 2", "Pack 2: LFP cells fell.")),
        ("motor left", "The sensor is open.", ("motor left", "The sensor is open.")),
    ],
)
def test_a_finding_names_its_pack(item: str, said: str, shown: tuple[str, str]) -> None:
    one = named(2, Finding(Severity.NOTE, item, 1.0, 1.0, "1", said))
    assert (one.item, one.statement) == shown
