"""A limit tried on the past: what it would have told, held against what people found; nothing is written."""

from __future__ import annotations

import hashlib
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from scipy import stats

from herdbook.pipeline.commands.terminal.tried_limits import as_dict, summary
from herdbook.pipeline.errors import NotKnownError, SettingsError
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.herd.limits_tried import Tried, try_limits
from herdbook.pipeline.store.connection import transaction
from herdbook.pipeline.store.publish import publish
from herdbook.pipeline.store.store import Store
from tests.book.rows import enter, store_with
from tests.night.tables import T0, insert

RULE = "weak_group"


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return store_with(tmp_path)


def rides(store: Store, vehicle: str, *ratios: float) -> None:
    """A ride a day, from a log of its own, whose second group has this resistance over the others'."""
    with transaction(store.catalogue) as con:
        if vehicle not in ("a", "b"):
            insert(con, "vehicles", vehicle=vehicle, profile="toy", built=T0.date(), zone="UTC")
        for k, ratio in enumerate(ratios):
            start = T0 + timedelta(days=k)
            times = {"start_t": start, "end_t": start + timedelta(hours=1)}
            name = f"{vehicle}-{k}"
            insert(con, "logs", log=name, vehicle=vehicle, profile="toy", **times)
            insert(con, "log_spans", log=name, dated=True, **times)
            insert(con, "sessions", vehicle=vehicle, kind="ride", coverage=1.0, **times)
            for item, value in (("1", 1.0), ("2", ratio), ("3", 1.0)):
                figure = {"name": "cell_r_ratio", "item": item, "value": value, "unit": "1", "se": 0.02, "n": 4000}
                insert(con, "metrics", vehicle=vehicle, start_t=start, coverage=1.0, **figure)
    publish(store)


def told(store: Store, *vehicles: str) -> None:
    """Scans told the rule's finding of these vehicles: the book may speak of it."""
    from tests.night.tables import logged

    with transaction(store.catalogue) as con:
        for vehicle in vehicles:
            logged(con, "s1", vehicle, RULE, "new", "service")
            con.execute("UPDATE finding_log SET item = 'cell 2' WHERE rule = ?", [RULE])


def tried(store: Store, *limits: str, vehicle: str = "") -> Tried:
    return try_limits(store, RULE, limits, vehicle)


def test_a_higher_limit_tells_less_and_a_lower_one_more(store: Store) -> None:
    rides(store, "a", 1.6, 1.62, 1.58)
    rides(store, "b", 1.25, 1.26, 1.25)
    less = tried(store, "act=2.5", "look=2.4", "plain=3")
    assert [(f.vehicle, f.item) for f in less.fewer] == [("a", "cell 2")]
    assert (less.count(tried=False).told, less.count(tried=True).told) == (1, 0)
    assert summary(less) == "With it 1 finding less, over 2 vehicles and 6 vehicle-days."
    more = tried(store, "act=1.1", "look=1.1")
    assert [(f.vehicle, f.then.severity) for f in more.more if f.then] == [("b", Severity.SERVICE)]
    same = tried(store, f"{RULE}.act=1.4")
    assert summary(same) == "With it no finding more and none less, over 2 vehicles and 6 vehicle-days."


def test_vehicles_that_could_no_longer_be_judged_are_told(store: Store) -> None:
    rides(store, "b", 1.0, 1.0, 1.0)
    found = tried(store, "plain=1.2")  # a rule that could not see so much has not looked
    assert (found.refused_now, found.refused_then) == (0, 1)
    assert "1 vehicle more could not be judged by it" in summary(found)


def test_what_people_found_counts_with_exact_intervals(store: Store) -> None:
    for name in ("a", "b", "c", "d"):
        rides(store, name, 1.6, 1.62, 1.58)
    told(store, "a", "b", "c")
    about = {"rule": RULE, "said": "looked", "kind": "inspection", "when": "2026-03-20"}
    wrong, _ = enter(store, *({**about, "vehicle": v, "outcome": o} for v, o in (("a", "confirmed"), ("b", "refuted"))))
    assert not wrong
    enter(store, {"kind": "repair", "rule": RULE, "said": "mended", "vehicle": "c", "when": "2026-03-20"})
    found = tried(store, "act=2.5", "look=2.4", "plain=3")
    before = found.count(tried=False)
    assert (before.told, before.confirmed, before.refuted, before.open) == (4, 2, 1, 1)
    assert before.precision is not None
    theirs = stats.binomtest(2, 3).proportion_ci(0.95, "exact")
    assert before.precision[1] == pytest.approx(theirs.low)
    assert before.precision[2] == pytest.approx(theirs.high)
    assert found.count(tried=True).precision is None
    assert "4 findings less (2 confirmed, 1 refuted)" in summary(found)
    assert "It would have missed 2 that people confirmed." in summary(found)


def test_a_fault_that_was_mended_since_counts_on_the_day_it_stood(store: Store) -> None:
    rides(store, "a", 1.6, 1.62, 1.58, *[1.0] * 30)
    found = tried(store, "act=2.5", "look=2.4", "plain=3")
    [gone] = found.fewer
    assert gone.now is not None
    assert gone.now.t == datetime(2026, 3, 1)  # one ride is enough for the rule
    assert found.days == 33


def test_a_later_day_and_another_severity_are_told_too(store: Store) -> None:
    rides(store, "a", 1.6, 1.62, 1.58)
    [changed] = tried(store, "act=1.9").changed
    assert changed.now is not None
    assert changed.then is not None
    assert (changed.now.severity, changed.then.severity) == (Severity.SERVICE, Severity.NOTE)


def test_nothing_is_written(store: Store) -> None:
    rides(store, "a", 1.6, 1.62, 1.58)

    def bytes_of() -> list[tuple[str, str]]:
        files = [p for p in store.folder.rglob("*") if p.is_file() and p.name != ".catalogue.known"]
        return sorted((str(p), hashlib.sha256(p.read_bytes()).hexdigest()) for p in files)

    before = bytes_of()
    tried(store, "act=2.0")
    assert bytes_of() == before


@pytest.mark.parametrize(
    ("limits", "said"),
    [
        ((), "no limit of weak_group is given"),
        (("act",), "has no value"),
        (("act=much",), "'much' is no number"),
        (("act=nan",), "cannot be"),
        (("act=-1",), "cannot be"),
        (("act=1", "act=2"), "given twice"),
        (("akt=1",), "no limit 'akt'"),
        (("cell_max_v=3.6",), r"a figure of the profile \(\[pack\]\)"),
        (("pack.rated_ah=3.6",), "the logs would be needed"),
    ],
)
def test_what_is_no_limit_is_refused_in_words(store: Store, limits: tuple[str, ...], said: str) -> None:
    with pytest.raises(SettingsError, match=said):
        tried(store, *limits)


def test_rules_and_vehicles_that_are_not_known_are_named(store: Store) -> None:
    with pytest.raises(NotKnownError, match="no rule 'weak'"):
        try_limits(store, "weak", ["act=1"])
    with pytest.raises(NotKnownError, match="'x' has no log"):
        tried(store, "act=1", vehicle="x")


def test_one_vehicle_alone_and_as_plain_data(store: Store) -> None:
    rides(store, "a", 1.6, 1.62, 1.58)
    rides(store, "b", 1.6, 1.62, 1.58)
    plain = as_dict(tried(store, "act=2.5", "look=2.4", "plain=3", vehicle="b"))
    assert [f["vehicle"] for f in plain["findings"]] == ["b"]
    assert plain["limits"][0] == {"name": "act", "in_force": {"toy": 1.4}, "tried": 2.5}
    assert plain["in_force"]["told"] == 1
    assert plain["tried"]["told"] == 0
