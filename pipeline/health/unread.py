"""Figures that are measured for people and that no rule of ours reads: nearly half of what lies on record of a ride.

Judging leaves them where they are. Whoever asks a record for one that was left out is told so;
`tests/health/test_unread.py` holds the names against all that rules and the tests of causes ask for. A store with rules
of its own reads everything.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Unread:
    """Names of metrics and kinds of events that a record does not hold."""

    metrics: frozenset[str] = frozenset()
    events: frozenset[str] = frozenset()


NOTHING = Unread()
_METRICS = """
ambient_c ambient_known balance_time_s cell_bleed_s cell_highest_v cell_load_rise_k_min cell_lowest_v
cell_temp_exposure_h cell_temp_min_c charge_end_a charge_end_highest_v charge_end_median_v charge_mean_a
charge_min charging_h clock_doubt_share clock_jump_count clock_jump_s clock_own clock_rate_ppm coldest_cell_c
contactor_openings data_gap_count data_longest_gap_s derated_s distance_km fault_s group_level_pieces
insulation_low_kohm insulation_median_kohm link_loss_count link_loss_s link_quality_p01_pct link_quality_pct
margin_a margin_k margin_share margin_v moving_h odometer_back_km odometer_distance_km odometer_end_km
odometer_start_km pack_depth_pct pack_sum_gap_v packet_age_p99_ms regen_energy_wh regen_share
release_to_zero_s sense_pair_jumps speed_apart_p95_pct speed_apart_pct speed_implausible_share
spread_full_mean_v spread_full_mv spread_low_mean_v spread_low_mv spread_rest_mean_v spread_rest_mv
top_speed_kmh unasked_braking_count
"""
BY_OUR_RULES = Unread(
    metrics=frozenset(_METRICS.split()),
    events=frozenset({"least_margin", "clock_jump"}),
)
