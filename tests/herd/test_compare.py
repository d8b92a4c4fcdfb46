"""Two sides compared over invented records whose truth is known, and repairs held against the record."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from herdbook.pipeline.errors import NotKnownError, SettingsError
from herdbook.pipeline.health.examples import one_session, record
from herdbook.pipeline.health.rule import Record
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.herd.compare import Compared, Comparison, Side, compare, nearest
from herdbook.pipeline.herd.repair_worked import Worked, by_chance, figures_of, more_quiet, worked
from herdbook.pipeline.herd.two_sides import TwoSides, before_and_after, figures_mended, vehicles_apart
from herdbook.pipeline.herd.use_figures import USE
from herdbook.pipeline.metrics import all_sets
from herdbook.pipeline.reports.herd import compare_words as words
from herdbook.pipeline.reports.herd.compare_page import write_compare
from herdbook.pipeline.store.connection import transaction
from herdbook.pipeline.store.publish import publish
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import DAY, micros
from herdbook.pipeline.vehicle.record import Metric
from tests.book.rows import day, enter, store_with
from tests.night.tables import T0, insert_rows, session

RULES = all_rules()


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return store_with(tmp_path)


def rides(store: Store, vehicle: str, first: int, values: dict[str, list[float]], se: float | None = 0.1) -> None:
    """A ride a day from the day `first` on, with these figures; a name may hold an item, "cell_r_ratio 7"."""
    rows = []
    with transaction(store.catalogue) as con:
        for k in range(max(len(v) for v in values.values())):
            session(con, vehicle, first + k)
            of_ride = {"vehicle": vehicle, "start_t": T0 + timedelta(days=first + k), "se": se}
            for name, of in values.items():
                metric, _, item = name.partition(" ")
                rows.append({**of_ride, "name": metric, "item": item, "value": of[k]})
        insert_rows(con, "metrics", rows)


def compared(store: Store, first: Side, second: Side) -> Comparison:
    publish(store)
    with store.read() as con:
        return compare(con, first, second)


def by_name(found: Comparison) -> dict[str, Compared]:
    return {f"{f.name} {f.item}".strip(): f for f in found.figures}


def test_what_changed_is_told_and_what_did_not_is_not(store: Store) -> None:
    rng = np.random.default_rng(3)
    steady = {f"cell_r_ratio {k}": rng.normal(1.0, 0.1, 16).tolist() for k in range(1, 12)}
    moved = [*rng.normal(2.0, 0.1, 8), *rng.normal(1.1, 0.1, 8)]
    rides(store, "a", 0, steady | {"cell_r_ratio 12": moved, "distance_km": [1.0] * 8 + [40.0] * 8})
    cut = T0 + timedelta(days=7.5)
    found = compared(store, Side("a", "before", None, cut), Side("a", "after", cut, None))
    assert [f"{f.name} {f.item}" for f in found.differing] == ["cell_r_ratio 12"]
    d = by_name(found)["cell_r_ratio 12"].difference
    assert d is not None
    assert d.rise == pytest.approx(-0.9, abs=0.15)
    assert "distance_km" not in by_name(found)  # how far one rides is no state of a vehicle
    assert [row["km"] for side in found.uses for row in side] == [8.0, 320.0]


def test_in_sound_herds_one_comparison_in_twenty_at_most_tells_anything(store: Store) -> None:
    """20 pairs of 12 figures that do not differ: the error over all of a comparison is held, not of each one."""
    rng, told = np.random.default_rng(8), 0
    for k in range(20):
        level = rng.normal(1, 0.3)  # of the ride: figures of one ride hang together
        values = {f"cell_level_mv {i}": (level + rng.normal(0, 1, 8)).tolist() for i in range(12)}
        rides(store, f"v{k}", 0, values)
    publish(store)
    cut = T0 + timedelta(days=3.5)
    with store.read() as con:
        for k in range(20):
            told += bool(compare(con, Side(f"v{k}", "before", None, cut), Side(f"v{k}", "after", cut, None)).differing)
    assert told <= 3  # 5 % of 20 is 1; more than 3 is seen once in 60 such tests


def test_nothing_on_one_side_and_one_session_on_each_are_said(store: Store) -> None:
    rides(store, "a", 0, {"regen_ratio": [0.9]})
    rides(store, "b", 0, {"regen_ratio": [0.8], "brake_response_s": [0.1]})
    said = " ".join(words.sentences(_vehicles(store)))
    assert "1 figure stands in one session on either side" in said
    assert "Recorded on one side alone (b): delay of the electric brake." in said
    assert "Little is recorded of a: 1 session. Only a large change would show." in said
    said = " ".join(words.sentences(_at(store, "a", day(30))))
    assert "Nothing is recorded of a after it" in said


def test_with_few_sessions_the_first_lines_say_what_would_make_it_certain(store: Store) -> None:
    """Five rides before, two after, one of 16 figures moved: not sure among so many. As many rides more as it
    says and one, like those on record, make it sure, and half of them do not."""
    rng = np.random.default_rng(5)
    still = {f"cell_level_mv {k}": rng.normal(0, 1, 45).tolist() for k in range(15)}
    moved = [10.0, 10.2, 9.8, 10.1, 9.9, *(10.7, 11.1) * 18]
    cut = T0 + timedelta(days=4.5)

    def one(vehicle: str, after: int) -> Comparison:
        rides(store, vehicle, 0, {n: v[: 5 + after] for n, v in (still | {"regen_ratio": moved}).items()})
        return compared(store, Side(vehicle, "before", None, cut), Side(vehicle, "after", cut, None))

    near = nearest(one("a", 2), either=False)
    assert near is not None
    assert (near.figure.name, near.side.title) == ("regen_ratio", "after")
    assert near.more is not None
    lines = list(words.lead(_at(store, "a", f"{day(4)} 23:00")))
    assert lines[0] == "16 figures compared: none differs by more than chance may give."
    assert near.more > 1
    assert f"about {near.more} rides more after it would make it certain" in lines[2]
    assert not any(f.name == "regen_ratio" for f in one("short", near.more // 2).differing)
    assert any(f.name == "regen_ratio" for f in one("long", 2 + near.more + 1).differing)


def test_what_is_asked_about_beforehand_is_held_to_its_own_few(store: Store) -> None:
    rng = np.random.default_rng(5)
    still = {f"cell_level_mv {k}": rng.normal(0, 1, 6).tolist() for k in range(40)}
    rides(store, "a", 0, still | {"regen_ratio": [0.5, 0.51, 0.52, 0.6, 0.61, 0.62]}, se=None)
    publish(store)
    at = f"{day(2)} 23:00"
    assert before_and_after(store, "a", at).found.differing == []
    two = before_and_after(store, "a", at, "regen_ratio")
    assert [f.name for f in two.found.differing] == []  # 1 of 10 ways of dealing six values out
    rides(store, "b", 0, still | {"regen_ratio": [0.5, 0.51, 0.52, 0.6, 0.61, 0.62]}, se=0.01)
    publish(store)
    two = before_and_after(store, "b", at, "regen_ratio")
    assert [f.name for f in two.found.differing] == ["regen_ratio"]
    assert next(words.lead(two)) == "1 figure asked about: 1 differs."
    assert {f.name for f in before_and_after(store, "b", at, "weak_group").found.figures if f.asked} <= figures_of(
        RULES["weak_group"]
    )
    with pytest.raises(NotKnownError, match="neither a rule nor a figure"):
        before_and_after(store, "b", at, "regen_rati")
    nothing = before_and_after(store, "b", at, "winding_hot")
    assert f"Nothing of “{RULES['winding_hot'].title}” stands on both sides" in " ".join(words.lead(nothing))


def test_a_figure_is_listed_once_with_its_other_places(store: Store) -> None:
    rng = np.random.default_rng(1)
    values = {
        f"cell_r_ratio {k}": [*rng.normal(1, 0.02, 6), *rng.normal(3 if k < 4 else 1, 0.02, 6)] for k in range(12)
    }
    rides(store, "a", 0, values, se=0.02)
    two = _at(store, "a", f"{day(5)} 23:00")
    [one] = words.shown(words.others(two.found))
    assert {one.figure.item, *one.places} == {"0", "1", "2", "3"}
    assert "in 6 and 6 rides" in one.title


def _vehicles(store: Store) -> TwoSides:
    publish(store)
    return vehicles_apart(store, "a", "b")


def _at(store: Store, vehicle: str, at: str) -> TwoSides:
    publish(store)
    return before_and_after(store, vehicle, at)


def test_sessions_of_the_day_itself_are_on_neither_side(store: Store) -> None:
    rides(store, "a", 0, {"regen_ratio": [0.9, 0.8, 0.85, 0.9, 0.7]})
    two = _at(store, "a", day(2))
    assert two.between == 1
    assert [row["sessions"] for side in two.found.uses for row in side] == [2, 2]
    assert "1 session of that day is on neither side" in " ".join(words.sentences(two))
    minute = _at(store, "a", f"{day(2)} 05:00")
    assert [row["sessions"] for side in minute.found.uses for row in side] == [2, 3]


def test_what_cannot_be_asked_is_refused_in_words(store: Store) -> None:
    enter(store, {"kind": "note", "said": "x", "vehicle": "b"})
    publish(store)
    for at, error, said in (
        ("99", NotKnownError, "no entry 99"),
        ("1", SettingsError, "entry 1 is about b"),
        ("yesterday", SettingsError, "'yesterday' is no day"),
        ("2026-02-30", SettingsError, "no day"),
    ):
        with pytest.raises(error, match=said):
            before_and_after(store, "a", at)
    with pytest.raises(NotKnownError, match="'c' has no log"):
        vehicles_apart(store, "a", "c")
    with pytest.raises(SettingsError, match="on both sides"):
        vehicles_apart(store, "a", "a")


def test_the_page_draws_what_differs_and_brings_nothing_along(store: Store, tmp_path: Path) -> None:
    rides(store, "a", 0, {"regen_ratio": [0.9, 0.91, 0.9, 0.92, 0.91, 0.3, 0.31, 0.3, 0.32]}, se=0.01)
    two = _at(store, "a", f"{day(5)} 01:00")
    page = write_compare(two, tmp_path / "c.html", None).read_text("utf-8")
    assert page.count('<svg class="board"') == 1
    assert "Regeneration delivered over demanded" in page
    assert "script" not in page.split("<style>")[1].split("</style>")[1]
    assert "\N{MINUS SIGN}0.6" in page


def weak(*ratios: float) -> Record:
    """A ride a day whose sixth group has this resistance over the others'."""
    rows = []
    for k, ratio in enumerate(ratios):
        others = [Metric("cell_r_ratio", 1.0, "1", 0.02, 4000, item=str(i)) for i in range(1, 6)]
        rows.append(one_session(k, "ride", *others, Metric("cell_r_ratio", ratio, "1", 0.02, 4000, item="6")))
    return record(*rows)


def held(of: Record, after: float, item: str = "") -> Worked:
    """The rule of a weak group before and after so many days."""
    t = micros(of.sessions["start_t"][0]) + round((after - 0.5) * DAY)
    [found] = worked(of, RULES["weak_group"], item, t, t)
    return found


def test_a_repair_that_worked_is_certain_once_enough_rides_are_quiet() -> None:
    found = held(weak(1.6, 1.62, 1.58, 1.6, 1.0, 1.02), 4)
    assert (found.could, found.showed, found.could_after, found.item) == (4, 4, 2, "cell 6")
    assert found.chance == pytest.approx(1 / 15)
    assert not found.certain
    assert found.more == 1
    said = " ".join(words.repair_sentences(found))
    assert "It may have worked" in said
    assert "in none of 2 after it" in said
    assert "To be certain (under 5 %): 1 ride more without it." in said
    sure = held(weak(1.6, 1.62, 1.58, 1.6, 1.0, 1.02, 0.98), 4)
    assert sure.certain
    assert "It worked, by the record" in " ".join(words.repair_sentences(sure))


def test_a_repair_that_did_not_work_is_told_with_what_shows_it() -> None:
    found = held(weak(1.6, 1.62, 1.58, 1.6, 1.61, 1.6), 4)
    assert found.after is not None
    assert found.chance is None
    said = " ".join(words.repair_sentences(found))
    assert "It did not mend “A group with high resistance” (cell 6), or not wholly" in said


def test_without_a_ride_after_it_or_a_finding_before_it_nothing_is_claimed() -> None:
    found = held(weak(1.6, 1.62, 1.58), 5)
    said = " ".join(words.repair_sentences(found))
    assert "cannot be said yet" in said
    assert "worked" not in said
    assert found.more == 3  # 1 of 20 ways
    none = held(weak(1.0, 1.0, 1.0, 1.0), 2)
    assert none.before is None
    assert "the record before it does not show it" in " ".join(words.repair_sentences(none))


def test_a_quiet_record_after_a_stop_use_finding_is_no_inspection() -> None:
    rule = RULES["regen_dropout"]
    for old in rule.cases().fires_on:
        t = micros(old.sessions["end_t"].max()) + 1  # type: ignore[arg-type]
        for found in worked(old, rule, "", t, t):
            said = " ".join(words.repair_sentences(found))
            assert found.before is not None
            grave = found.before.severity is Severity.STOP_USE
            assert ("A quiet record is no inspection" in said) == grave
            assert "worked" not in said


@pytest.mark.parametrize(("could", "showed", "quiet"), [(4, 4, 2), (9, 5, 9), (1, 1, 19), (10, 1, 3)])
def test_the_chance_of_a_quiet_record_is_fishers(could: int, showed: int, quiet: int) -> None:
    theirs = stats.fisher_exact(np.array([[showed, could - showed], [0, quiet]]), alternative="greater").pvalue
    assert by_chance(could, showed, quiet) == pytest.approx(theirs)


def test_how_many_quiet_sessions_it_takes() -> None:
    assert more_quiet(1, 1, 0) == 19  # 1 of 20 ways
    assert more_quiet(1, 1, 19) == 0
    assert more_quiet(5, 0, 3) is None
    assert more_quiet(200, 1, 0) is None


def test_figures_of_use_exist_and_a_rule_is_asked_by_its_own() -> None:
    known = {name for s in all_sets().values() for name in s.gives}
    assert sorted(USE - known) == []
    assert "cell_r_ratio" in figures_of(RULES["weak_group"])
    assert "braking_judged_count" not in figures_of(RULES["regen_dropout"])
    assert "motor_temp_max_c" in figures_of(RULES["winding_hot"])


def test_figures_of_a_further_pack_are_compared_and_asked_for_as_the_firsts(store: Store) -> None:
    """What went through it is use, as the first's; a repair of its group 7 asks nothing of the first pack's group 7."""
    many = {"cell_r_ratio": [1.0, 1.01, 0.99], "charge_ah": [9.0, 9.1, 9.2]}
    rides(store, "A", 0, {**many, **{f"pack_2_{name}": values for name, values in many.items()}})
    rides(store, "B", 0, {**many, **{f"pack_2_{name}": values for name, values in many.items()}})
    assert set(by_name(compared(store, Side("A", "A"), Side("B", "B")))) == {"cell_r_ratio", "pack_2_cell_r_ratio"}
    of_it = figures_mended((held(weak(1.0, 1.6, 1.6), 1.0, "pack 2, cell 7"),))
    assert of_it is not None
    named = ("cell_r_ratio", "pack_2_cell_r_ratio", "pack_3_cell_r_ratio")
    assert [name for name in named if of_it(name, "7")] == ["pack_2_cell_r_ratio"]
    assert not of_it("pack_2_cell_r_ratio", "8")
