"""The card of causes: what it counts as right, as denied and as evidence, and its short form."""

from __future__ import annotations

import argparse

import pytest

from demo_logs import cause_card
from demo_logs.campaign import profiles
from demo_logs.cause_card import IN_RIDES, RIDE_MIN, card, cases_of, in_step, judge_all, main, rides_alone
from demo_logs.cause_report import JudgedFault, as_text, failures
from demo_logs.causes import CAUSES
from demo_logs.draw import Wish, draw
from herdbook.pipeline.health.cause import Seen, Standing

TRUE, WRONG = "The brake reported a fault of its own", "A loose power connector between pack and controller"


def found(*causes: tuple[str, Standing]) -> JudgedFault:
    said = tuple((text, Seen(standing)) for text, standing in causes)
    return JudgedFault("V", "regen_dropout", "regen_dropout", "", said, "1 rides")


def test_right_first_and_denied_are_told_apart() -> None:
    right = found((TRUE, Standing.SUPPORTED), (WRONG, Standing.CONTRADICTED))
    assert (right.right_first, right.true_denied, right.sifted) == (True, False, False)
    denied = found((WRONG, Standing.OPEN), (TRUE, Standing.CONTRADICTED))
    assert (denied.right_first, denied.true_denied, denied.sifted) == (False, True, True)
    listed = found((TRUE, Standing.NOT_RECORDED), (WRONG, Standing.NOT_RECORDED))
    assert (listed.right_first, listed.sifted) == (True, False)


def test_the_card_says_what_evidence_stood_behind_it() -> None:
    text = as_text(
        [
            found((TRUE, Standing.SUPPORTED)),
            found((TRUE, Standing.NOT_RECORDED), (WRONG, Standing.NOT_SEEN)),
            found((WRONG, Standing.OPEN), (TRUE, Standing.OPEN)),
        ],
        "made up",
    )
    assert "a true one in 2 (67%" in text
    assert (
        "By evidence that supports it: 1 of 3; by evidence against others alone: 1; by the rule's order alone: 1"
        in text
    )


def test_the_short_form_rides_alone_with_its_fault_from_the_beginning() -> None:
    assert set(IN_RIDES) <= set(CAUSES)
    drawn = draw(5, 4, profiles(), Wish(faults=("regen_dropout", "link_loss"), acting=True))
    for one in rides_alone(drawn):
        assert {(o.kind, o.minutes) for o in one.outings} == {("ride", RIDE_MIN)}
        assert all(f.onset == 0 and f.grow_days == 0.0 for f in one.vehicle.faults)


def test_the_form_with_charges_runs_the_vehicles_of_a_profile_together() -> None:
    """What rides do not show; the simulator takes vehicles of equal outings in one step."""
    drawn = in_step(draw(5, 6, profiles(), Wish(faults=("imbalance", "worn_pack"), acting=True, short=True)))
    for name in {d.vehicle.profile.name for d in drawn}:
        lengths = {(o.kind, o.minutes) for d in drawn if d.vehicle.profile.name == name for o in d.outings}
        assert len(lengths) == len({kind for kind, _ in lengths})


RIGHT, DENIED = found((TRUE, Standing.SUPPORTED)), found((WRONG, Standing.OPEN), (TRUE, Standing.CONTRADICTED))


@pytest.mark.parametrize(
    ("right", "denied", "shown"), [(380, 0, "not shown"), (381, 0, "shown"), (600, 3, "not shown")]
)
def test_a_share_of_99_in_100_is_shown_by_381_without_a_failure(right: int, denied: int, shown: str) -> None:
    """Wilson's lower end for n of n is n / (n + 1.96 squared): 381 is the first over 0.99."""
    text = as_text([RIGHT] * right + [DENIED] * denied, "made up")
    assert f"the bar of 99% is {shown}." in text


def test_each_failure_is_told_with_all_its_causes() -> None:
    assert failures([RIGHT]) == ""
    told = failures([RIGHT, DENIED])
    assert told.count("regen_dropout, regen_dropout") == 1
    assert f"true  {TRUE}: contradicted" in told


def asked(**options: object) -> argparse.Namespace:
    usual = {"seed": 7, "seeds": 1, "vehicles": 2, "faults": "", "acting": True, "double": False, "short": False}
    return argparse.Namespace(**{**usual, "rides": False, "charges": False, **options})


def test_a_case_for_each_seed_and_form() -> None:
    cases = cases_of(asked(seeds=3, rides=True, charges=True))
    assert [c.name for c in cases] == [f"{s} {form}" for s in (7, 8, 9) for form in ("rides", "charges")]
    assert [c.wish.short for c in cases[:2]] == [False, True]
    assert set(cases[0].wish.faults).isdisjoint(cases[1].wish.faults)


def test_a_card_says_what_was_drawn() -> None:
    assert "2 vehicles; three weeks, of sizes to act at;" in card([], cases_of(asked(short=True)), 0, 0.0)
    assert "2 vehicles each; the whole calendar;" in card([], cases_of(asked(seeds=2, acting=False)), 0, 0.0)


def test_a_seed_is_drawn_simulated_and_judged_and_time_that_is_up_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cause_card, "RIDES", 1)
    monkeypatch.setattr(cause_card, "RIDE_MIN", 0.6)
    (case,) = cases_of(asked(vehicles=1, rides=True, faults="regen_dropout"))
    ((ran, judged, took),) = judge_all([case], jobs=1, within=None)
    assert [(f.case, f.fault, f.right_first) for f in judged] == [("7 rides", "regen_dropout", True)]
    assert took > 0
    assert "1 of 1 cases ended" in card(judged, [ran], 1, took)
    late = cases_of(asked(seeds=2, vehicles=1, rides=True))
    assert list(judge_all(late, jobs=1, within=0.0)) == []
    assert "0 of 2 cases ended" in card([], late, 0, 0.0)


def test_nothing_asked_for_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["--seeds", "0"])
    assert "are 1 or more" in capsys.readouterr().err
