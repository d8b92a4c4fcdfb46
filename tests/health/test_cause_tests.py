"""The builders that causes are told by, each on a window or a record in which what it must say is plain."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from herdbook.pipeline.health import cause_tests as told_by
from herdbook.pipeline.health.cause import Cause, CauseTest, Episode, Evidence, Seen, Standing, in_order
from herdbook.pipeline.health.examples import days, one_session, record
from herdbook.pipeline.health.rule import Record
from herdbook.pipeline.vehicle.record import Event, Metric
from herdbook.pipeline.vehicle.signals import Series, Signals
from tests.health.test_causes import during, episode

S = 1_000_000
DAY0 = record(*days(1, "ride", Metric("x", 0.0, "1"))).sessions["start_t"].to_physical()[0]
EVER = ((0, 2**62),)


def standing(test: CauseTest, *episodes: Episode, **more: object) -> Standing:
    return judged(test, *episodes, **more).standing


def judged(test: CauseTest, *episodes: Episode, **more: object) -> Seen:
    return test.judge(Evidence(episodes, **more))  # type: ignore[arg-type]


YES = told_by.over("throttle", 50.0, "the throttle")


def test_joined_tests_take_the_word_that_speaks_most_and_are_excluded_only_together() -> None:
    pulled, idle = episode(throttle=60.0), episode(throttle=0.0)
    bench = told_by.only_by("a meter at the plug")
    assert standing(told_by.any_of(bench, YES), pulled) is Standing.SUPPORTED
    assert standing(told_by.any_of(bench, YES), idle) is Standing.NOT_RECORDED
    assert standing(told_by.any_of(YES, YES), idle) is Standing.CONTRADICTED
    assert standing(told_by.unless(bench, YES), pulled) is Standing.CONTRADICTED
    assert standing(told_by.less_likely_if(bench, YES), pulled) is Standing.NOT_SEEN
    assert standing(told_by.unless(bench, YES), idle) is Standing.NOT_RECORDED
    assert judged(bench).words == "told only by a meter at the plug"


def test_a_window_that_was_not_looked_at_to_its_end_excludes_nothing() -> None:
    whole = episode(throttle=0.0)
    cut = Episode(whole.signals, whole.start, whole.end, cut=True)
    assert standing(YES, whole) is Standing.CONTRADICTED
    assert standing(YES, whole, cut) is Standing.NOT_SEEN


def test_a_bit_counts_only_by_its_name_and_may_come_after_the_window() -> None:
    test = told_by.bits_set("controller_fault", named="watchdog", after_s=3.0)
    names = {("controller_fault", ""): {0: "supply low", 1: "watchdog reset"}}
    after = [2.0 if k > 125 else 0.0 for k in range(200)]  # half a second after the window
    seen = judged(test, episode(controller_fault=after), bits=names)
    assert (seen.standing, seen.words) == (
        Standing.SUPPORTED,
        "the controller fault reads 2: “watchdog reset” (bit 1)",
    )
    assert standing(test, episode(controller_fault=1.0), bits=names) is Standing.NOT_SEEN
    assert standing(test, episode(controller_fault=2.0)) is Standing.NOT_RECORDED  # nobody says what its bits mean
    assert standing(told_by.bits_set("controller_fault"), episode(controller_fault=after)) is Standing.NOT_SEEN


@pytest.mark.parametrize(("volts", "borne_out"), [(3.66, True), (3.40, False)])
def test_a_pack_fault_is_held_against_what_the_pack_shows(volts: float, borne_out: bool) -> None:
    known = {("bms_fault", ""): {2: "cell over-voltage"}}
    window = episode(cell_voltage__3=volts)
    whole = record(*days(1, "ride", Metric("x", 0.0, "1")))
    assert whole.profile.pack_figures.cell_max_v == 3.65
    says, tight = (told_by.bit_borne_out(way) for way in (True, False))
    want = (Standing.SUPPORTED, Standing.NOT_SEEN) if borne_out else (Standing.NOT_SEEN, Standing.SUPPORTED)
    given = {"item": "bit 2", "bits": known, "record": whole}
    assert (standing(says, window, **given), standing(tight, window, **given)) == want
    assert standing(says, window, item="bit 2", record=whole) is Standing.NOT_RECORDED  # no name


def test_one_voltage_leaps_above_another() -> None:
    test = told_by.apart("dc_link_voltage", "pack_voltage", 5.0, "{upper}, {by} above", "stays")
    leap = episode(dc_link_voltage__left=during(51.0, 40.0), pack_voltage=40.0)
    assert judged(test, leap).words == "51 V, 11 V above"
    assert standing(test, episode(dc_link_voltage__left=41.0, pack_voltage=40.0)) is Standing.NOT_SEEN
    assert standing(test, episode(pack_voltage=40.0)) is Standing.NOT_RECORDED


def test_a_motor_is_held_against_its_twin() -> None:
    more, alike = told_by.more_than_twin(), told_by.motors_alike()
    uneven = episode(motor_current__left=-30.0, motor_current__right=-10.0)
    even = episode(motor_current__left=-30.0, motor_current__right=-29.0)
    assert standing(more, uneven, item="left") is Standing.SUPPORTED
    assert standing(more, uneven, item="right") is Standing.NOT_SEEN
    assert (standing(alike, even), standing(alike, uneven)) == (Standing.SUPPORTED, Standing.NOT_SEEN)
    assert standing(alike, episode(motor_current__only=-30.0)) is Standing.NOT_RECORDED


def test_what_was_allowed_when_it_was_hottest() -> None:
    test = told_by.while_highest("derate", "cell_temp", 99.0, "{value} at {highest}", "held back")
    late = episode(cell_temp__1=during(62.0, 50.0), derate=100.0)
    assert judged(test, late).words == "100 % at 62 °C"
    assert standing(test, episode(cell_temp__1=during(62.0, 50.0), derate=during(60.0, 100.0))) is Standing.NOT_SEEN


def test_top_speed_is_the_makers() -> None:
    plain = record(*days(1, "ride", Metric("x", 0.0, "1")))
    whole = replace(plain, profile=replace(plain.profile, vehicle={"top_speed_kmh": 36.0}))
    test = told_by.over_top_speed()
    assert standing(test, episode(vehicle_speed=11.0), record=whole) is Standing.SUPPORTED
    assert standing(test, episode(vehicle_speed=5.0), record=whole) is Standing.NOT_SEEN
    assert standing(test, episode(vehicle_speed=11.0), record=plain) is Standing.NOT_RECORDED
    assert standing(test, episode(vehicle_speed=9.0)) is Standing.NOT_RECORDED


def test_findings_at_several_places_and_at_the_same_moment() -> None:
    several = told_by.found_at("message_faults", 2, "message", "on the bus", "one alone")
    found = {"message_faults": frozenset({"BMS missing frames", "BMS counter errors"})}
    assert standing(several, found=found) is Standing.NOT_SEEN  # one message, told twice
    assert standing(several, found={"message_faults": frozenset({"BMS missing", "MOT missing"})}) is Standing.SUPPORTED
    test = told_by.at_the_same_time("link_loss")
    near = {"spans": [(10 * S, 12 * S)], "others": {"link_loss": [(12 * S + S // 2, 13 * S)]}}
    assert judged(test, **near).rule == "link_loss"
    assert standing(test, spans=[(10 * S, 12 * S)], others={"link_loss": [(60 * S, 61 * S)]}) is Standing.NOT_SEEN


def test_rules_that_could_not_judge_leave_the_question_open() -> None:
    test = told_by.also_found("weak_group", "low_capacity_group")
    assert standing(test) is Standing.NOT_SEEN
    assert standing(test, refused=frozenset({"weak_group"})) is Standing.OPEN
    assert standing(told_by.also_found("weak_group", tells=False)) is Standing.OPEN


def test_an_event_of_the_window_carries_its_figure() -> None:
    brakings = [Event("braking", k * 10 * S, k * 10 * S + 2 * S, "", {"short_full_a": 8.0 * (k > 0)}) for k in range(3)]
    whole = record(*days(1, "ride", Metric("x", 0.0, "1"), *brakings))
    test = told_by.event_figure("braking", "short_full_a", 1.0, "{value} less", "nothing", "A", "pack_soc")
    seen = judged(test, record=whole, spans=EVER)
    assert (seen.standing, seen.words) == (Standing.SUPPORTED, "8 A less in 2 of 3")
    assert standing(test, record=whole, spans=[(0, 1)]) is Standing.NOT_RECORDED
    assert standing(test, spans=EVER) is Standing.NOT_RECORDED


def sensors(**shares: float) -> Record:
    parts = [Metric(name, value, "1", item="cell 2") for name, value in shares.items()]
    return record(*days(4, "ride", *parts))


def test_a_figure_of_the_item_is_read_over_its_sessions() -> None:
    test = told_by.figure(
        "temp_missing_share", 0.2, "{value}, {share}", "none", "cell_temp", whole_item=True, rules_out=True
    )
    seen = judged(test, item="cell 2", record=sensors(temp_missing_share=0.5))
    assert (seen.standing, seen.words) == (Standing.SUPPORTED, "0.5, in 4 of 4 sessions")
    assert standing(test, item="cell 2", record=sensors(temp_missing_share=0.1)) is Standing.CONTRADICTED
    assert standing(test, item="cell 1", record=sensors(temp_missing_share=0.5)) is Standing.NOT_RECORDED


def test_one_group_alone_among_its_siblings() -> None:
    def bled(*shares: float) -> Record:
        return record(*days(3, "ride", *(Metric("bled", v, "1", item=str(k)) for k, v in enumerate(shares, 1))))

    test = told_by.alone_among("bled", 0.2, 0.02, "{mine} {beside}", "{mine} {beside}", "cell_bleed")
    assert judged(test, item="cell 3", record=bled(0.0, 0.01, 0.9)).words == "90% 1%"
    assert standing(test, item="cell 3", record=bled(0.0, 0.4, 0.9)) is Standing.NOT_SEEN
    assert standing(test, item="cell 3", record=bled(0.0)) is Standing.NOT_RECORDED


def offsets(*values: float) -> Record:
    parts = [
        days(1, "charge", Metric("cell_offset_top_pct", v, "%", 0.1, 9, item="4"), first=3 * k)
        for k, v in enumerate(values)
    ]
    return record(*(session for part in parts for session in part))


def test_an_offset_grows_or_stands_and_a_step_is_no_growth() -> None:
    def of(steady: bool, *values: float) -> Standing:
        test = told_by.moves("cell_offset_top_pct", "it", "cell_voltage", steady=steady, per_day=0.03)
        return standing(test, item="cell 4", record=offsets(*values))

    leak = (-1.0, -1.5, -2.1, -2.4, -3.0, -3.5)
    apart = (0.0, 0.1, -5.0, -5.01, -4.99, -5.0, -4.99)
    assert (of(False, *leak), of(True, *leak)) == (Standing.SUPPORTED, Standing.NOT_SEEN)
    assert (of(False, *apart), of(True, *apart)) == (Standing.NOT_SEEN, Standing.SUPPORTED)
    assert of(True, -5.0, -5.0) is Standing.NOT_RECORDED


def charges(*ends: float) -> Record:
    parts = [days(1, "charge", Metric("charge_end", v, "1"), first=k) for k, v in enumerate(ends)]
    return record(*(session for part in parts for session in part))


def test_charges_to_full_are_counted() -> None:
    few, many = told_by.charged_full(few=True), told_by.charged_full(few=False)
    assert judged(few, record=charges(3, 3, 3, 3)).words == "0 of 4 charges ran until the pack was full"
    assert standing(many, record=charges(0, 0, 0, 3)) is Standing.SUPPORTED
    assert standing(few, record=charges(0, 0, 0, 3)) is Standing.NOT_SEEN
    assert standing(few, record=charges(3)) is Standing.NOT_RECORDED


def ended(highest: float, median: float) -> Record:
    data = {"end_highest_v": highest, "end_median_v": median}
    return record(*days(3, "charge", Metric("charge_end", 1.0, "1"), Event("charge", 0, 60 * S, "group_limit", data)))


def test_who_ended_a_charge_is_told_by_the_groups_then() -> None:
    first, none = told_by.a_group_was_first(), told_by.no_group_was_full()
    given = {"spans": EVER}
    assert standing(first, record=ended(3.64, 3.40), **given) is Standing.SUPPORTED
    assert standing(none, record=ended(3.64, 3.40), **given) is Standing.NOT_SEEN
    assert standing(first, record=ended(3.40, 3.38), **given) is Standing.NOT_SEEN
    assert "no group ended it in 3 of 3" in judged(none, record=ended(3.40, 3.38), **given).words


def test_by_what_charge_the_electronics_count_and_whether_a_group_is_missing() -> None:
    def counts(ah: float) -> Record:
        return record(*days(2, "ride", Metric("bms_capacity_ah", ah, "Ah", 0.3, 100)))

    rated = counts(1.0).profile.pack_figures.size_ah
    larger = told_by.capacity_counted(larger=True)
    assert standing(larger, record=counts(1.3 * rated)) is Standing.SUPPORTED
    assert standing(larger, record=counts(rated)) is Standing.NOT_SEEN
    cells = counts(1.0).profile.pack_figures.cells
    assert cells

    def gap(groups: float) -> Record:
        return record(*days(2, "ride", Metric("pack_sum_gap_pct", 100 * groups / cells, "%", 0.1, 100)))

    assert standing(told_by.group_missing(), record=gap(1.02)) is Standing.SUPPORTED
    assert standing(told_by.group_missing(), record=gap(0.3)) is Standing.NOT_SEEN


def test_how_long_it_stood() -> None:
    whole = record(*days(1, "ride", Metric("x", 0.0, "1")))
    stood = {"record": whole, "spans": [(0, 40 * 86400 * S)]}
    assert standing(told_by.stood_for(30.0, longer=True, what="it stood"), **stood) is Standing.SUPPORTED
    assert standing(told_by.stood_for(30.0, longer=False, what="it stood"), **stood) is Standing.NOT_SEEN


def test_the_link_sides_with_the_groups_or_with_the_pack() -> None:
    def window(pack: float, link: float, amps: float = 0.0) -> Episode:
        return episode(
            pack_voltage=pack, dc_link_voltage__left=link, pack_current=amps, cell_voltage__1=20.0, cell_voltage__2=20.0
        )

    groups, pack = told_by.link_sides_with(groups=True), told_by.link_sides_with(groups=False)
    assert standing(groups, window(41.0, 40.1)) is Standing.SUPPORTED
    assert standing(pack, window(41.0, 40.1)) is Standing.NOT_SEEN
    assert standing(pack, window(41.0, 40.9)) is Standing.SUPPORTED
    assert standing(groups, window(41.0, 40.5)) is Standing.NOT_SEEN
    assert standing(pack, window(41.0, 40.5)) is Standing.NOT_SEEN
    assert standing(groups, window(41.0, 40.1, amps=30.0)) is Standing.NOT_RECORDED
    assert standing(groups, window(41.0, 5.0)) is Standing.NOT_RECORDED  # the switch is open


def test_a_clock_that_counted_on_tells_that_the_vehicle_was_awake() -> None:
    def gap(uptime_after: float) -> Episode:
        t = np.array([0, 1, 61, 62]) * S
        v = np.array([100.0, 101.0, uptime_after, uptime_after + 1])
        return Episode(Signals("V", 0, 63 * S, {("controller_uptime", ""): Series(t, v)}), S, 61 * S)

    awake, anew = told_by.ran_through_the_gap(awake=True), told_by.ran_through_the_gap(awake=False)
    assert (standing(awake, gap(161.0)), standing(anew, gap(161.0))) == (Standing.SUPPORTED, Standing.NOT_SEEN)
    assert (standing(awake, gap(3.0)), standing(anew, gap(3.0))) == (Standing.NOT_SEEN, Standing.SUPPORTED)
    assert standing(awake, episode()) is Standing.NOT_RECORDED


def test_two_neighbours_read_wrongly_by_one_tap_and_a_channel_reads_alone() -> None:
    test = told_by.shared_tap()

    def string(*volts: float) -> Episode:
        return episode(**{f"cell_voltage__{k}": v for k, v in enumerate(volts, start=1)})

    open_tap = judged(test, string(3.3, 0.0, 6.6, 3.3, 3.3))
    assert open_tap.standing is Standing.SUPPORTED
    assert open_tap.words == "groups 2 and 3 read 0.00 and 6.60 V, together as two others"
    assert standing(test, string(3.3, 0.0, 3.3, 3.3, 3.3)) is Standing.NOT_SEEN  # a channel, or an outer wire
    assert standing(test, string(3.3, 0.0, 5.0, 3.3, 3.3)) is Standing.NOT_SEEN  # their sum is wrong
    assert standing(test, episode(throttle=1.0)) is Standing.NOT_RECORDED


def test_a_motor_that_pulls_like_its_twin_has_whole_wires() -> None:
    test = told_by.pulls_like_its_twin()
    right = during(-10.0, 20.0)
    alike = judged(test, episode(motor_current__left=during(-30.0, 20.0), motor_current__right=right), item="right")
    assert (alike.standing, alike.words) == (
        Standing.SUPPORTED,
        "beside the braking both motors pull alike: the right one with 20 A of 20 A",
    )
    weak = episode(motor_current__left=during(-30.0, 40.0), motor_current__right=right)
    assert standing(test, weak, item="right") is Standing.NOT_SEEN
    coasts = episode(motor_current__left=during(-30.0, 0.0), motor_current__right=during(-10.0, 0.0))
    assert standing(test, coasts, item="right") is Standing.NOT_RECORDED


@pytest.mark.parametrize(
    ("zero", "said"),
    [
        ((0.0, 0.01, 0.0, 0.5, 0.51, 0.5), Standing.SUPPORTED),
        ((0.0, 0.01, 0.0, -0.5, -0.51, -0.5), Standing.SUPPORTED),
        ((0.0, 0.1, 0.2, 0.3, 0.4, 0.5), Standing.NOT_SEEN),  # a drift
        ((0.5, 0.51, 0.5, 0.49, 0.5, 0.5), Standing.NOT_SEEN),  # there from the beginning
        ((0.0, 0.5), Standing.NOT_RECORDED),
    ],
)
def test_a_zero_that_stepped_is_no_drift(zero: tuple[float, ...], said: Standing) -> None:
    sessions = [one_session(float(k), "rest", Metric("zero", v, "A", 0.02, 5)) for k, v in enumerate(zero)]
    test = told_by.stepped("zero", "the zero", "pack_current")
    assert standing(test, record=record(*sessions)) is said


def test_every_builder_is_tried_here_or_beside() -> None:
    beside = Path(__file__).with_name("test_causes.py").read_text("utf-8") + Path(__file__).read_text("utf-8")
    assert [name for name in told_by.__all__ if name not in beside] == []


@pytest.mark.parametrize(
    ("watts", "falls", "said"),
    [
        (10.0, 0.0, Standing.NOT_SEEN),  # 10 W are 2.7 A of a group: 66 Ah a day, and nothing is missing
        (10.0, -1.0, Standing.NOT_SEEN),  # a leak of 12 mA (0.3 Ah a day) is there: 0.05 W
        (0.05, -1.0, Standing.OPEN),  # so little heat it can make; the readings do not prove it
        (0.02, -8.0, Standing.SUPPORTED),  # 2.4 Ah a day
        (0.0, -1.0, Standing.NOT_RECORDED),  # no heat measured: the other test's word
    ],
)
def test_a_short_is_likely_only_as_far_as_a_group_loses_what_the_heat_takes(
    watts: float, falls: float, said: Standing
) -> None:
    """By hand: P = V I, I = dQ/dt; 30 Ah rated, 1 % a day is 12.5 mA. A leak does not count by being there."""
    parts = [
        one_session(
            day,
            "charge",
            *(
                Metric("cell_offset_top_pct", falls * day if g == 4 else 0.01 * g, "%", 0.15, 500, item=str(g))
                for g in range(1, 6)
            ),
            Metric("pack_idle_heat_w", watts, "W", 0.0, 300),
        )
        for day in (0.0, 1.5, 3.0)
    ]
    test = told_by.short_makes_the_heat(told_by.only_by("a measurement"))
    spans = ((int(DAY0) + 7_200 * S, int(DAY0) + 10_800 * S),)
    held = record(*parts)
    assert standing(test, record=held, spans=spans) is said
    # the profile was changed since: the page says what is missing, and is written
    bare = replace(held.profile, pack={k: v for k, v in held.profile.pack.items() if k != "rated_ah"})
    asked = Evidence((), record=replace(held, profile=bare), spans=spans)
    [(_, seen)] = in_order([Cause("Internal short", test)], asked)
    assert "rated_ah" in seen.words or said is Standing.NOT_RECORDED


@pytest.mark.parametrize(
    ("watts", "days_after", "lowest_v", "said"),
    [
        (5.0, 2.0, 3.28, Standing.NOT_RECORDED),  # 1.45 A for 48 h take 70 Ah, less 0.2 A of balancing 60: of 100 Ah
        (5.0, 4.0, 3.28, Standing.NOT_SEEN),  # 120 Ah
        (5.0, 4.0, 2.90, Standing.NOT_RECORDED),  # the lowest group may well be that empty
        (0.5, 4.0, 3.28, Standing.NOT_RECORDED),  # balancing may make up for it
    ],
)
def test_a_short_that_would_have_emptied_its_group_is_not_seen_where_no_group_is_empty(
    watts: float, days_after: float, lowest_v: float, said: Standing
) -> None:
    """No charge reached the knee. P = V I and what a group holds, by hand."""
    heat = one_session(0.0, "rest", Metric("pack_idle_heat_w", watts, "W", 0.0, 300), hours=1)
    last = one_session(days_after, "ride", Metric("end_lowest_v", lowest_v, "V", 0.005, 9))
    held = record(heat, last)
    held = replace(held, profile=replace(held.profile, pack={**held.profile.pack, "rated_ah": 100.0}))
    test = told_by.short_makes_the_heat(told_by.only_by("a measurement"))
    spans = ((int(DAY0), int(DAY0) + 3_600 * S),)
    assert standing(test, record=held, spans=spans) is said
