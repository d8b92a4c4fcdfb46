"""Causes are told by signals: each test on windows made by hand, where what it must say is plain."""

from __future__ import annotations

import pickle

import numpy as np
import pytest

from herdbook.pipeline.health.cause import Cause, CauseTest, Episode, Evidence, Seen, Standing, in_order, judged
from herdbook.pipeline.health.cause_tests import also_found, bits_set, less_than, over, reads_in, under
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.vehicle.roles import ROLES
from herdbook.pipeline.vehicle.signals import Key, Series, Signals

S = 1_000_000
OPEN, CLOSED = (float(ROLES["contactor_state"].states.index(s)) for s in ("open", "closed"))


def episode(start_s: float = 10.0, end_s: float = 12.0, step_s: float = 0.1, **roles: float | list[float]) -> Episode:
    """A window of two seconds in the middle of twenty; each role constant, or one value a sample."""
    t = np.arange(0, 20 * S, int(step_s * S))
    data: dict[Key, Series] = {}
    for name, v in roles.items():
        role, _, item = name.partition("__")
        data[role, item] = Series(t, np.full(t.size, v, float) if isinstance(v, float) else np.array(v, float))
    return Episode(Signals("V", 0, 20 * S, data), int(start_s * S), int(end_s * S))


def told(test: CauseTest, *episodes: Episode, **more: object) -> Seen:
    return test.judge(Evidence(episodes, **more))  # type: ignore[arg-type]


def during(inside: float, outside: float) -> list[float]:
    return [inside if 10.0 <= k / 10 <= 12.0 else outside for k in range(200)]


def test_a_state_in_the_window_supports_and_its_absence_rules_out() -> None:
    test = reads_in("contactor_state", "open", "fault")
    seen = told(test, episode(contactor_state=during(OPEN, CLOSED)))
    assert (seen.standing, seen.t, seen.role) == (Standing.SUPPORTED, 10 * S, "contactor_state")
    assert "“open”" in seen.words
    assert told(test, episode(contactor_state=CLOSED)).standing is Standing.CONTRADICTED
    assert told(test, episode(contactor_state=during(CLOSED, OPEN))).standing is Standing.CONTRADICTED
    assert told(test, episode()).standing is Standing.NOT_RECORDED


def test_a_message_slower_than_the_window_says_nothing() -> None:
    seen = told(reads_in("contactor_state", "open"), episode(10.1, 10.9, step_s=1.0, contactor_state=CLOSED))
    assert seen.standing is Standing.NOT_RECORDED
    assert "too few samples fall into the windows" in seen.words


def test_a_state_that_must_last_is_read_late_in_the_window() -> None:
    closed_then_open = [CLOSED if k < 105 else OPEN for k in range(200)]
    seen = told(
        reads_in("contactor_state", "closed", rules_out=False, late=True), episode(contactor_state=closed_then_open)
    )
    assert seen.standing is Standing.NOT_SEEN


def test_a_command_that_came_through_speaks_against_trigger_and_receiver_and_no_fresh_packet_does() -> None:
    """A receiver that repeats the last command sends fresh packets: their age says nothing about it."""
    causes = {str(c): c for c in all_rules()["torque_after_release"].causes}

    def of(cause: str, throttle: float) -> Standing:
        return judged(causes[cause], Evidence([episode(throttle=throttle, packet_age=30.0)])).standing

    for cause in ("Radio receiver that repeats the last command", "Trigger sensor or its wire sticking"):
        assert of(cause, throttle=60.0) is Standing.SUPPORTED
        assert of(cause, throttle=0.0) is Standing.CONTRADICTED
    assert of("The radio link was lost and torque did not end with it", throttle=60.0) is Standing.CONTRADICTED


def test_windows_vote_and_those_without_samples_do_not() -> None:
    test = reads_in("contactor_state", "open")
    yes, no, none = episode(contactor_state=OPEN), episode(contactor_state=CLOSED), episode()
    assert told(test, yes, no, none).standing is Standing.SUPPORTED
    assert "1 of 2" in told(test, yes, no, none).words
    assert told(test, yes, no, no).standing is Standing.OPEN
    assert told(test, no, no, none).standing is Standing.CONTRADICTED


def test_fault_bits_are_told_by_name_and_none_proves_nothing() -> None:
    test = bits_set("motor_fault", "controller_fault")
    names = {("motor_fault", "left"): {2: "over-voltage"}}
    seen = told(test, episode(motor_fault__left=during(4.0, 0.0), motor_fault__right=0.0), bits=names)
    assert (seen.standing, seen.item) == (Standing.SUPPORTED, "left")
    assert "“over-voltage” (bit 2)" in seen.words
    assert "bit 0, bit 1" in told(test, episode(controller_fault=3.0)).words
    assert told(test, episode(motor_fault__left=0.0)).standing is Standing.NOT_SEEN
    assert told(test, episode()).standing is Standing.NOT_RECORDED


def test_levels_are_read_inside_the_window_and_late_ones_in_its_second_half() -> None:
    falling = [80.0 if k < 105 else 0.0 for k in range(200)]
    assert told(under("throttle", 2.0, "the throttle"), episode(throttle=falling)).standing is Standing.SUPPORTED
    assert told(over("throttle", 10.0, "the throttle"), episode(throttle=falling)).standing is Standing.SUPPORTED
    late = over("throttle", 10.0, "the throttle", late=True)
    assert told(late, episode(throttle=falling)).standing is Standing.CONTRADICTED
    gaps = over("packet_age", 200.0, "the age")
    assert told(gaps, episode(packet_age=float("nan"))).standing is Standing.NOT_RECORDED


def test_one_signal_is_held_against_another_at_the_same_moment() -> None:
    test = less_than("regen_allowed", "regen_demand", "the current allowed", "the current asked")
    short = told(test, episode(regen_allowed=during(2.0, 30.0), regen_demand=10.0))
    assert (short.standing, short.role) == (Standing.SUPPORTED, "regen_allowed")
    assert "2 A when the current asked is 10 A" in short.words
    assert told(test, episode(regen_allowed=30.0, regen_demand=10.0)).standing is Standing.CONTRADICTED
    assert told(test, episode(regen_demand=10.0)).standing is Standing.NOT_RECORDED


def test_a_limit_that_fades_with_the_last_of_what_is_asked_takes_nothing_away() -> None:
    """At walking pace both run out; half an ampere that is no longer allowed then is no permission taken back."""
    test = less_than("regen_allowed", "regen_demand", "the current allowed", "the current asked")
    asked = [20.0 if 10.0 <= k / 10 < 11.0 else 0.5 for k in range(200)]
    fades = [25.0 if k / 10 < 11.0 else 0.0 for k in range(200)]
    assert told(test, episode(regen_demand=asked, regen_allowed=fades)).standing is Standing.CONTRADICTED
    assert told(test, episode(regen_demand=asked, regen_allowed=5.0)).standing is Standing.SUPPORTED


def test_another_finding_tells_and_a_rule_that_could_not_judge_does_not_rule_out() -> None:
    test = also_found("weak_group", same_item=True)
    assert told(test, item="cell 3", found={"weak_group": frozenset({"cell 3"})}).standing is Standing.SUPPORTED
    assert told(test, item="cell 3", found={"weak_group": frozenset({"cell 4"})}).standing is Standing.NOT_SEEN
    assert told(test, refused=frozenset({"weak_group"})).standing is Standing.NOT_RECORDED
    assert told(also_found("weak_group", rules_out=True)).standing is Standing.CONTRADICTED


def test_what_speaks_for_a_cause_puts_it_first_and_what_speaks_against_it_last() -> None:
    causes = (
        Cause("against", reads_in("contactor_state", "open")),
        Cause("looked for", bits_set("motor_fault")),
        "nothing can tell",
        Cause("for", reads_in("contactor_state", "closed")),
    )
    order = in_order(causes, Evidence([episode(contactor_state=CLOSED, motor_fault=0.0)]))
    assert [text for text, _ in order] == ["for", "nothing can tell", "looked for", "against"]


def test_a_cause_is_its_words_wherever_it_goes() -> None:
    cause = Cause("a loose plug", reads_in("contactor_state", "open"))
    assert cause == "a loose plug"
    assert type(pickle.loads(pickle.dumps(cause))) is str


@pytest.mark.parametrize("rule", all_rules().values(), ids=lambda r: r.id)
def test_tests_of_a_rule_name_roles_and_rules_that_exist(rule: object) -> None:
    known = set(all_rules())
    for cause in rule.causes:  # type: ignore[attr-defined]
        test = getattr(cause, "test", None)
        assert test is not None, f"{cause}: give it a test, or only_by(the measurement that tells)"
        assert set(test.roles) <= set(ROLES)
        seen = test.judge(Evidence(()))
        assert seen.standing not in (Standing.SUPPORTED, Standing.CONTRADICTED), f"{cause}: claimed of nothing"
        assert seen.rule in known | {""}
        assert seen.words, f"{cause}: says nothing"
