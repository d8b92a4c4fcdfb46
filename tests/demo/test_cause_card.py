"""The card of causes: what it counts as right, as denied and as evidence, and its short form."""

from __future__ import annotations

from typing import Any

from demo_logs.campaign import profiles
from demo_logs.cause_card import IN_RIDES, RIDE_MIN, FoundFault, as_text, in_step, rides_alone
from demo_logs.causes import CAUSES
from demo_logs.draw import Wish, draw
from herdbook.pipeline.health.cause import Seen, Standing
from herdbook.pipeline.health.rules import all_rules

RULE = all_rules()["regen_dropout"]
TRUE, WRONG = "The brake reported a fault of its own", "A loose power connector between pack and controller"


def found(*causes: tuple[str, Standing]) -> FoundFault:
    given: dict[str, Any] = {"finding": None, "found": {}, "refused": frozenset(), "figures": None}
    one = FoundFault(vehicle="V", fault="regen_dropout", rule=RULE, **given)
    one.causes = [(text, Seen(standing)) for text, standing in causes]
    return one


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
