"""Figures that tell what a vehicle had to do, not how it is: they differ between any two stretches of riding."""

from __future__ import annotations

from herdbook.pipeline.vehicle.packs import unmarked

KINDS = {
    "charge, energy and cycles through the pack, and where it stood": (
        "charge_ah charge_min charge_mean_a charging_h pack_out_ah pack_in_ah pack_out_wh pack_in_wh "
        "pack_cycles pack_cycles_efc pack_depth_pct pack_run_ah pack_band_ah pack_band_v pack_soc_start_pct "
        "pack_soc_end_pct pack_soc_lowest_pct pack_soc_highest_pct charger_after charge_end temp_hours "
        "voltage_hours pack_age_hours_25c pack_hours cell_temp_exposure_h cold_charge_ah cold_charge_s "
        "balance_time_s regen_energy_wh"
    ),
    "air, load, and the heat and voltages that they explain": (
        "ambient_c ambient_known coldest_cell_c cell_temp_min_c cell_temp_max_c pack_load_square "
        "pack_heat_explained_k winding_heat_explained_k pack_heat_rise_k winding_heat_rise_k motor_temp_max_c "
        "fet_temp_max_c temp_lowest_c temp_middle_c temp_highest_c cell_highest_v cell_lowest_v end_lowest_v "
        "charge_end_a charge_end_highest_v charge_end_median_v braking_pack_v_max braking_link_v_max "
        "spread_rest_mean_v spread_full_mean_v spread_low_mean_v top_slope_mv_per_pct bottom_slope_mv_per_pct "
        "cell_offset_top_lean_pct cell_offset_bottom_lean_pct margin_v margin_share margin_k margin_a"
    ),
    "how far and how long": (
        "session_h distance_km moving_h top_speed_kmh odometer_start_km odometer_end_km odometer_distance_km "
        "odometer_back_km data_coverage regen_wh_km regen_share consumption_wh_km"
    ),
    "how often and how long a thing could be seen": (
        "braking_count braking_judged_count braking_sided_count release_count release_timed_count "
        "controller_watched_h encoder_watched_h link_watched_h unasked_watched_h group_level_pieces "
        "cell_offset_rows pack_still_readings contactor_openings"
    ),
    "clocks of logs": ("clock_jump_count clock_jump_s clock_rate_ppm clock_doubt_share clock_own"),
}
USE = frozenset(name for names in KINDS.values() for name in names.split())


def tells_use(name: str) -> bool:
    return unmarked(name)[1] in USE
