"""Lives, batches and outcomes over an invented herd whose truth is known, drawn here by calendar and Weibull law."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from herdbook.pipeline.herd.batch_findings import batch_findings
from herdbook.pipeline.herd.batches import BatchRate
from herdbook.pipeline.herd.lives import PartLife, part_life
from herdbook.pipeline.herd.outcomes import outcomes
from herdbook.pipeline.store.connection import transaction
from herdbook.pipeline.store.publish import publish
from herdbook.pipeline.store.store import Store
from tests.book.rows import NOW, day, enter, store_with
from tests.night.tables import T0, insert, logged, scan

DAYS = 1200


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return store_with(tmp_path)


def herd(store: Store, batches: dict[str, tuple[str, int]]) -> list[str]:
    """Vehicles by batch: (site, how many), each with 1,000 km on record."""
    names = []
    with transaction(store.catalogue) as con:
        for batch, (site, many) in batches.items():
            for i in range(many):
                names.append(f"{batch}-{site}-{i:02d}")
                about = {"profile": "toy", "built": T0.date(), "zone": "UTC", "customer_ref": site}
                insert(con, "vehicles", vehicle=names[-1], batch=batch.rstrip("'"), **about)
                insert(con, "metrics", vehicle=names[-1], start_t=T0, name="distance_km", item="", value=1000.0)
    return names


def found(store: Store, rule: str, vehicles: list[str]) -> None:
    with transaction(store.catalogue) as con:
        for vehicle in vehicles:
            logged(con, "s1", vehicle, rule, "new", "service")


def rates(store: Store) -> dict[tuple[str, str], BatchRate]:
    publish(store)
    with store.read() as con:
        found, _ = batch_findings(con)
    return {(r.about, r.batch): r for r in found}


def test_a_batch_that_fails_more_on_every_site_is_told(store: Store) -> None:
    names = herd(store, {"A": ("hill", 20), "A'": ("flat", 20), "B": ("hill", 20), "B'": ("flat", 20)})
    found(store, "belt", [v for v in names if v.startswith("A")][::2])  # half of A on either site
    found(store, "belt", ["B-hill-00", "B'-flat-00"])
    rate = rates(store)["belt", "A"]
    assert rate.differs
    assert rate.ratio is not None
    assert rate.ratio.ratio == pytest.approx(10)  # 20 against 2, over equal ways
    assert (rate.own.hit, rate.own.members, rate.others.hit) == (20, 40, 2)


def test_a_batch_that_is_ridden_on_the_hill_is_not_blamed(store: Store) -> None:
    """Half of all vehicles on the hill are found, whatever their batch, and one in ten on the flat: Simpson's trap."""
    names = herd(store, {"A": ("hill", 40), "A'": ("flat", 10), "B": ("hill", 10), "B'": ("flat", 40)})
    for part, every in (("A-", 2), ("B-", 2), ("A'", 10), ("B'", 10)):
        found(store, "hot", [v for v in names if v.startswith(part)][::every])
    rate = rates(store)["hot", "A"]
    assert rate.crude.p < 0.05
    assert not rate.differs
    assert rate.words == "differs over all, not within sites and zones: who rides where may explain it"


def test_batches_that_never_meet_cannot_be_told_apart(store: Store) -> None:
    names = herd(store, {"A": ("hill", 20), "B": ("flat", 20)})
    found(store, "hot", names[:15])
    assert "cannot be told apart" in rates(store)["hot", "A"].words


def test_alike_batches_are_called_different_in_few_herds() -> None:
    """200 herds of 4 batches in which 5 rules find one vehicle in ten: the share of herds with any difference told."""
    from herdbook.pipeline.science.strata import false_discovery, rate_ratio

    draw, told = np.random.default_rng(4), 0
    for _ in range(200):
        hit = draw.random((5, 4, 3, 15)) < 0.1  # rule, batch, site, vehicle
        p = []
        for counts in hit.sum(axis=3).astype(float):
            for batch in range(4):
                rest = counts.sum(axis=0) - counts[batch]
                ratio = rate_ratio(counts[batch], np.full(3, 15.0), rest, np.full(3, 45.0))
                p.append(ratio.p if ratio else 1.0)
        told += bool(np.any(false_discovery(np.array(p), dependent=True) <= 0.05))
    assert told / 200 <= 0.05 + 0.03


def lives(store: Store, by: str = "batch", days: float = DAYS) -> PartLife:
    with store.read() as con:
        found = part_life(con, "remote", by=by, until=T0 + timedelta(days=days))
    assert found is not None
    return found


def test_a_shorter_lived_batch_is_seen_with_its_life(store: Store) -> None:
    """Remotes of R1 live by Weibull 900 days, 2.0; those of R2 300 days, 2.0; forty of each watched for 1,200 days."""
    draw = np.random.default_rng(8)
    names = herd(store, {"A": ("hill", 40), "B": ("hill", 40)})
    rows = []
    for i, vehicle in enumerate(names):
        batch, scale = ("R1", 900) if i < 40 else ("R2", 300)
        end = 1 + int(scale * draw.weibull(2.0))
        about = {"vehicle": vehicle, "part": "remote", "serial": f"{batch}-{i}"}
        rows.append(about | {"kind": "fitted", "batch": batch, "when": day(0)})
        if end < DAYS:
            rows.append(about | {"kind": "removed", "when": day(end), "outcome": "failed"})
    wrong, _ = enter(store, *rows, now=T0 + timedelta(days=DAYS))
    assert not wrong
    old, new = lives(store).groups
    assert (old.group, new.group) == ("R1", "R2")
    for group, scale in ((old, 900), (new, 300)):
        assert group.fit is not None
        assert (group.fit.scale_low or 0) < scale < (group.fit.scale_high or 1e9)
        assert (group.fit.shape_low or 0) < 2.0 < (group.fit.shape_high or 1e9)
    assert all(test is not None and test.p < 1e-4 for test in lives(store).against)
    assert lives(store, by="").groups[0].failures == old.failures + new.failures


def test_what_was_sound_or_sits_still_is_no_failure(store: Store) -> None:
    part = {"kind": "fitted", "part": "remote", "serial": "R-1", "when": day(0)}
    enter(store, part, part | {"serial": "R-2", "vehicle": "b"})
    enter(store, {"kind": "removed", "part": "remote", "serial": "R-1", "when": day(10), "outcome": "sound"})
    [group] = lives(store, by="", days=50).groups
    assert (group.failures, group.unsaid, group.watched) == (0, 0, 60.25)  # until is at 06:00
    assert group.fit is None
    assert group.ahead is None


def test_a_removal_without_a_word_counts_as_failed_and_is_counted(store: Store) -> None:
    enter(store, {"kind": "fitted", "part": "remote", "serial": "R-1", "when": day(0)})
    enter(store, {"kind": "fitted", "part": "remote", "serial": "R-2", "when": day(10)})
    [group] = lives(store, by="", days=50).groups
    assert (group.failures, group.unsaid) == (1, 1)


def test_rules_are_judged_by_what_people_found(store: Store) -> None:
    with transaction(store.catalogue) as con:
        scan(con, "s2", 2)
        for vehicle in ("a", "b"):
            logged(con, "s2", vehicle, "q", "new", "service")
    publish(store)
    about = {"kind": "inspection", "said": "looked", "when": day(4)}
    enter(store, about | {"rule": "q", "outcome": "refuted"}, about | {"rule": "r", "outcome": "undecided"})
    enter(store, {"kind": "repair", "rule": "r", "said": "loom", "when": day(5)})
    enter(store, {"kind": "repair", "rule": "q", "said": "cell", "vehicle": "b", "when": day(6)})
    enter(store, {"kind": "complaint", "rule": "q", "said": "warm", "vehicle": "b", "when": day(12)})
    enter(store, {"kind": "complaint", "said": "slow", "when": day(0)}, now=NOW)
    with store.read() as con:
        rules, complaints = outcomes(con)
    of = {r.rule: r for r in rules}
    assert (of["q"].told, of["q"].confirmed, of["q"].refuted, of["q"].open) == (2, 1, 1, 0)
    assert (of["q"].low, of["q"].high) == pytest.approx((0.012579, 0.987421), abs=1e-6)  # Clopper-Pearson 1 of 2
    assert (of["r"].confirmed, of["r"].precision) == (1, 1.0)
    assert of["q"].warned == pytest.approx((9.75,))  # told on day 2 at 06:00, complained of on day 12 from 00:00 on
    assert complaints.complaints == 2
