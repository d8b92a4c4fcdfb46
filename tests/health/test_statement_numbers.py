"""Every number in every rule's sentence, computed again from the rows of the record by a line of arithmetic that shares
nothing with the rule. One table: rule, then how the numbers of its sentence come about, in the order they stand.

The rows themselves are computed again from samples beside their metric sets; whole sentences from samples of the
demonstration's logs in tests/test_statements.py.
"""

from __future__ import annotations

import re
from collections.abc import Callable

import numpy as np
import polars as pl
import pytest
from numpy.typing import NDArray

from herdbook.pipeline.health.engine import apply, limits_of
from herdbook.pipeline.health.rule import Finding, NotAssessed, Record, Rule
from herdbook.pipeline.health.rules import all_rules

Floats = NDArray[np.float64]


class Rows:
    """A record as plain arrays."""

    def __init__(self, record: Record, rule: Rule, finding: Finding) -> None:
        self.record, self.f = record, finding
        self.limits = limits_of(rule, record.profile.limits, record.profile.pack_figures.of_chemistry)
        first, _, rest = finding.item.partition(" ")
        self.item = rest if first in ("cell", "cells", "sensor") else finding.item

    def of(self, name: str, item: str | None = None) -> Floats:
        rows = self.record.metrics.filter(pl.col("name") == name)
        if item is not None:
            rows = rows.filter(pl.col("item") == item)
        return rows["value"].to_numpy()

    def mine(self, name: str) -> Floats:
        return self.of(name, self.item)

    def n(self, name: str) -> Floats:
        return self.record.metrics.filter(pl.col("name") == name)["n"].to_numpy()

    def events(self, kind: str, key: str, item: str | None = None) -> Floats:
        rows = self.record.events.filter(pl.col("kind") == kind)
        if item is not None:
            rows = rows.filter(pl.col("item") == item)
        found = [{p["key"]: p["value"] for p in data} for data in rows["data"].to_list()]
        return np.array([d.get(key, np.nan) for d in found], float)

    def lasted(self, kind: str) -> Floats:
        rows = self.record.events.filter(pl.col("kind") == kind)
        return (rows["end_t"] - rows["start_t"]).dt.total_microseconds().to_numpy() / 1e6

    def braking(self, key: str) -> Floats:
        return self.events("braking", key)

    def bits(self) -> list[int]:
        seen = int(self.events("fault_bits", "bits").max())
        return [k for k in range(32) if seen >> k & 1]

    def fleet(self, name: str) -> float:
        return float(self.record.reference.filter(pl.col("name") == name)["value"][0])

    def fleet_size(self) -> int:
        return int(self.record.reference["n"].max())  # type: ignore[arg-type]

    def loss_ma(self) -> float:
        """Of its offsets in per cent of 30 Ah, in mA: the middle of the slopes between all pairs of readings."""
        rows = self.record.metrics.filter((pl.col("name") == "cell_offset_top_pct") & (pl.col("item") == self.item))
        hours = (rows["start_t"] - rows["start_t"][0]).dt.total_seconds().to_numpy() / 3600
        mah = rows["value"].to_numpy() / 100 * 30_000
        a, b = np.triu_indices(hours.size, 1)
        return abs(float(np.median((mah[b] - mah[a]) / (hours[b] - hours[a]))))

    def growth_ma(self) -> float:
        """By how much its loss grew a month of 730.5 h, in mA: the middle slope of all pairs of the later half less
        that of the earlier one, over what lies between the middles of the two."""
        rows = self.record.metrics.filter((pl.col("name") == "cell_offset_top_pct") & (pl.col("item") == self.item))
        hours = (rows["start_t"] - rows["start_t"][0]).dt.total_seconds().to_numpy() / 3600
        mah = rows["value"].to_numpy() / 100 * 30_000
        late = hours >= hours[-1] / 2
        slopes = []
        for half in (~late, late):
            a, b = np.triu_indices(int(half.sum()), 1)
            x, y = hours[half], mah[half]
            slopes.append(-float(np.median((y[b] - y[a]) / (x[b] - x[a]))))
        return float((slopes[1] - slopes[0]) / (hours[late].mean() - hours[~late].mean()) * 730.5)

    def counted_ah(self) -> float:
        """Charge counted over the change of reported charge, of one session."""
        moved = self.of("pack_soc_start_pct") - self.of("pack_soc_end_pct")
        return float((self.of("pack_run_ah") / moved * 100).mean())

    def longest_pause_days(self) -> float:
        """From the end of one session to the start of the next."""
        ends, starts = self.record.sessions["end_t"][:-1], self.record.sessions["start_t"][1:]
        return float(max((b - a).total_seconds() for a, b in zip(ends, starts, strict=True))) / 86400

    def where(self, kind: str) -> int:
        """In how many sessions events of a kind lie."""
        return self.record.events.filter(pl.col("kind") == kind)["session_start_t"].n_unique()

    def sessions(self, *kinds: str) -> int:
        return self.record.sessions.filter(pl.col("kind").is_in(kinds)).height if kinds else self.record.sessions.height


def med(v: Floats) -> float:
    return float(np.nanmedian(v))


Numbers = Callable[[Rows], list[float | None]]
"""None: a number that is told by another test, as an error bar is by the coverage of its metric."""

TABLE: dict[str, Numbers] = {
    "balancer_stuck": lambda r: [
        int(r.item),
        100 * r.mine("cell_bleed_idle_share").mean(),
        r.mine("cell_bleed_idle_share").size,
    ],
    "belt_slip": lambda r: [int((r.mine("belt_slip_pct") > 1).sum()), 2, 30, r.mine("belt_slip_pct").max(), None],
    "bms_fault": lambda r: [
        int(r.f.item.split()[1]),
        r.events("bms_fault", "duration_s").size,
        r.where("bms_fault"),
        r.sessions(),
        r.lasted("bms_fault").sum(),
    ],
    "braking_over_voltage": lambda r: [
        int((r.braking("link_rise_v") - r.braking("link_idle_v") > 0.5).sum()),
        r.braking("link_rise_v").size,
        (r.braking("link_rise_v") - r.braking("link_idle_v")).max(),
        ((r.braking("link_rise_v") - r.braking("link_idle_v")) / r.braking("delivered_a")).mean(),
        None,
    ],
    "charge_ends_early": lambda r: [r.sessions("charge"), r.of("pack_soc_highest_pct").mean()],
    "cold_charging": lambda r: [
        int((r.of("cold_charge_ah") > 0).sum()),
        r.of("cold_charge_ah").sum(),
        0,
        r.events("cold_charge", "peak_a").max(),
        100 * r.of("cold_charge_ah").max() / 30,
    ],
    "contactor_opened_under_load": lambda r: [np.abs(r.events("contactor_opened_loaded", "before_a")).max()],
    "controller_faults": lambda r: [
        r.mine("fault_count").sum(),
        r.where("fault_bits"),
        r.sessions(),
        *r.bits(),
        r.events("fault_bits", "lasted_s").max(),
    ],
    "controller_resets": lambda r: [
        r.events("reset", "speed_ms").size,
        r.of("controller_watched_h").sum(),
        r.lasted("reset").mean(),
    ],
    "current_sensor_offset": lambda r: [
        med(r.of("pack_current_zero_a")),
        None,
        r.of("pack_current_zero_a").size,
        24 * abs(med(r.of("pack_current_zero_a"))),
    ],
    "data_gaps": lambda r: [
        int((100 * r.of("data_coverage") < 97).sum()),
        r.sessions("ride", "charge"),
        100 * r.of("data_coverage").min(),
        r.events("data_gap", "lasted_s").max(),
    ],
    "derating_often": lambda r: [
        int((r.of("derated_share") > 0.05).sum()),
        r.sessions("ride"),
        100 * med(r.of("derated_share")[r.of("derated_share") > 0.05]),
        r.events("derating", "duration_s").sum() / 3600,
        r.events("derating", "left_pct").min(),
    ],
    "drag_high": lambda r: [
        r.of("travel_rolling").size,
        med(r.of("travel_rolling")),
        None,
        r.fleet("travel_rolling"),
        0.002,
    ],
    "encoder_dropout": lambda r: [
        r.events("encoder_dropout", "lasted_s").size,
        r.mine("encoder_watched_h").sum(),
        r.events("encoder_dropout", "lasted_s").max(),
        r.where("encoder_dropout"),
        r.sessions("ride"),
    ],
    "group_over_voltage": lambda r: [
        int(r.item),
        r.events("group_over_voltage", "extreme_v").max(),
        1000 * r.events("group_over_voltage", "beyond_v").max(),
        r.events("group_over_voltage", "beyond_v").size,
        r.of("cell_over_s").sum(),
        med(r.events("group_over_voltage", "median_v")),
    ],
    "group_under_voltage": lambda r: [
        int(r.item),
        r.events("group_under_voltage", "extreme_v").min(),
        1000 * r.events("group_under_voltage", "beyond_v").max(),
        r.events("group_under_voltage", "beyond_v").size,
        r.of("cell_under_s").sum(),
        med(r.events("group_under_voltage", "median_v")),
    ],
    "heat_without_load": lambda r: [
        int(r.item),
        r.events("idle_rise", "rise_k").max(),
        r.lasted("idle_rise").max() / 60,
        r.where("idle_rise"),
        r.sessions(),
    ],
    "hot_because_of_load": lambda r: [
        int((r.of("cell_temp_max_c") >= 50).sum()),
        r.sessions(),
        50,
        r.of("cell_temp_max_c").max(),
    ],
    "hot_for_load": lambda r: [r.of("pack_heat_least_ratio").size, med(r.of("pack_heat_least_ratio")), None],
    "leak_growing": lambda r: [int(r.item), None, None, r.growth_ma(), None, r.mine("cell_offset_top_pct").size, 8],
    "leaking_group": lambda r: [
        int(r.item),
        r.loss_ma(),
        None,
        r.loss_ma() * 24 * 30.44 / 300,
        r.mine("cell_offset_top_pct").size,
    ],
    "link_loss": lambda r: [
        r.events("link_loss", "lasted_s").size,
        r.of("link_watched_h").sum(),
        r.events("link_loss", "lasted_s").max(),
        r.where("link_loss"),
        r.sessions("ride"),
    ],
    "loose_sense_wire": lambda r: [
        *(int(n) for n in r.item.split("-")),
        r.mine("sense_pair_opposite_mv").max(),
        r.mine("sense_pair_correlation")[r.mine("sense_pair_correlation") < -0.5].mean(),
        int((r.mine("sense_pair_correlation") < -0.5).sum()),
    ],
    "low_capacity_group": lambda r: [
        int(r.item),
        r.mine("cell_offset_top_pct").mean() - r.mine("cell_offset_bottom_pct").mean(),
        None,
        r.mine("cell_offset_top_pct").mean(),
        r.mine("cell_offset_bottom_pct").mean(),
    ],
    "message_faults": lambda r: [
        (r.of("message_checksum_share") * r.n("message_checksum_share")).sum(),
        r.n("message_checksum_share").sum(),
        100 * r.of("message_checksum_share").mean(),
        r.sessions(),
        r.sessions(),
    ],
    "open_sense_wire": lambda r: [
        4,
        r.events("group_under_voltage", "extreme_v").min(),
        r.events("group_under_voltage", "neighbour_v").max(),
        med(r.events("group_under_voltage", "median_v")),
        r.events("group_under_voltage", "extreme_v").size,
        r.of("cell_under_s").sum(),
    ],
    "out_of_balance": lambda r: [
        int(r.item),
        -r.mine("cell_offset_top_pct").mean(),
        None,
        r.mine("cell_offset_top_pct").size,
    ],
    "pack_capacity_low": lambda r: [r.counted_ah(), 100 * r.counted_ah() / 30, 30, None, r.of("pack_run_ah").size],
    "pack_sum_disagrees": lambda r: [r.of("pack_sum_gap_pct").mean(), None, r.of("pack_sum_gap_pct").size],
    "parked_empty": lambda r: [r.longest_pause_days(), r.of("end_lowest_v").max(), 1],
    "power_stage_hot": lambda r: [
        95,
        int((r.mine("fet_temp_max_c") > 95).sum()),
        r.mine("fet_temp_max_c").size,
        r.mine("fet_temp_max_c").max(),
    ],
    "regen_dropout": lambda r: [
        int((r.braking("dropout_s") >= 0.2).sum()),
        r.braking("demand_a").size,
        np.nanmax(r.braking("dropout_s")),
    ],
    "regen_late": lambda r: [med(r.braking("response_s")), None, r.braking("response_s").size],
    "regen_one_sided": lambda r: [
        r.braking("right_a").mean(),
        r.braking("left_a").mean(),
        r.braking("left_a").size,
        r.braking("left_a").size,
    ],
    "regen_refused_explained": lambda r: [
        int((r.braking("short_full_a") > 0).sum()),
        r.braking("demand_a").size,
        100 * r.braking("short_full_a").max() / 20,
    ],
    "regen_refused_unexplained": lambda r: [
        int((r.braking("short_unreasoned_a") > 0).sum()),
        r.braking("demand_a").size,
        r.braking("delivered_a").min(),
        20,
    ],
    "regen_weak": lambda r: [
        100 * med(1 - r.braking("delivered_a") / r.braking("demand_a")),
        None,
        r.braking("demand_a").size,
    ],
    "resistance_outside_groups": lambda r: [
        r.of("pack_path_mohm").mean(),
        None,
        r.of("pack_path_mohm").mean() / (12 * r.of("group_r_load_mohm").mean()),
        12,
    ],
    "soc_off": lambda r: [
        (r.of("pack_soc_end_pct") - r.events("charge_anchor", "soc_pct")).mean(),
        None,
        r.of("pack_soc_end_pct").size,
    ],
    "temp_sensor_fault": lambda r: [
        2,
        r.of("temp_rail_share", r.f.item).size,
        r.sessions(),
        100 * r.of("temp_rail_share", r.f.item).mean(),
    ],
    "torque_after_release": lambda r: [
        r.events("torque_after_release", "lasted_s").size,
        r.of("release_timed_count").sum(),
        r.events("torque_after_release", "lasted_s").max(),
        r.events("torque_after_release", "current_a").max(),
        r.events("torque_after_release", "force_n").max(),
    ],
    "unasked_braking": lambda r: [
        r.events("unasked_braking", "lasted_s").size,
        r.of("unasked_watched_h").sum(),
        r.events("unasked_braking", "current_a").max(),
        r.events("unasked_braking", "lasted_s").max(),
    ],
    "values_missing": lambda r: [
        100 * r.mine("data_missing_share").mean(),
        r.mine("data_missing_share").size,
        r.sessions(),
    ],
    "weak_group": lambda r: [int(r.item), med(r.mine("cell_r_ratio")), None, r.mine("cell_r_ratio").size],
    "winding_hot": lambda r: [
        r.mine("winding_heat_ratio").size,
        med(r.mine("winding_heat_ratio")) / r.fleet("winding_heat_ratio"),
        None,
        r.fleet_size(),
    ],
}


@pytest.mark.parametrize("rule", all_rules().values(), ids=lambda r: r.id)
def test_every_number_of_a_sentence_comes_from_the_record(rule: Rule) -> None:
    case = rule.cases().fires_on[0]
    said = apply(rule, case)
    assert not isinstance(said, NotAssessed)
    assert rule.id in TABLE, f"{rule.id}: write down how its sentence's numbers come about: {said[0].statement}"
    sentence = re.sub(r"\d{4}-\d{2}-\d{2}", "", said[0].statement)
    shown = re.findall(r"(?<![\w.])[+-]?\d+(?:\.\d+)?", sentence)
    expected = TABLE[rule.id](Rows(case, rule, said[0]))
    assert len(shown) == len(expected), (sentence, shown, expected)
    wrong = [
        (text, value)
        for text, value in zip(shown, expected, strict=True)
        if value is not None and abs(abs(float(text)) - abs(value)) > _half_a_digit(text)
    ]
    assert wrong == [], sentence


def _half_a_digit(text: str) -> float:
    return 0.51 * 10.0 ** -len(text.partition(".")[2])


def test_the_table_names_no_rule_that_is_gone() -> None:
    assert set(TABLE) == set(all_rules())
