"""Which figures rest on a role whose meaning logs contradict: they are still shown, and must not look sound."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from herdbook.pipeline.vehicle.packs import marked, of_this_pack, unmarked

# What a set reads beside its `needs`, where it is there; a test watches sets at work and holds them to it.
ALSO: dict[str, str] = {
    "balancing": "cell_voltage pack_current",
    "belt": "ambient_temp bms_temp brake_demand",
    "braking": "cell_temp cell_voltage charge_limit contactor_state dc_link_voltage derate fet_temp motor_current "
    "motor_speed motor_temp pack_current pack_soc pack_voltage regen_allowed regen_current regen_demand regen_state "
    "throttle trigger vehicle_speed",
    "cell_limits": "pack_current pack_voltage",
    "cell_resistance": "cell_temp pack_voltage",
    "charge": "cell_voltage charger_state pack_voltage",
    "cold_charge": "pack_voltage",
    "controller": "controller_fault controller_uptime motor_fault pack_voltage vehicle_speed",
    "curve_step": "cell_temp pack_soc",
    "encoder": "motor_current vehicle_speed",
    "group_levels": "pack_soc",
    "heat_drive": "ambient_temp bms_temp cell_temp derate fet_temp motor_temp",
    "heat_pack": "ambient_temp bms_temp pack_current",
    "link": "link_quality packet_age vehicle_speed",
    "margins": "ambient_temp bms_temp cell_temp cell_voltage charge_limit dc_link_voltage discharge_limit fet_temp "
    "motor_temp pack_current pack_voltage",
    "pack_agreement": "cell_voltage pack_current pack_soc pack_voltage",
    "pack_anchors": "cell_temp pack_voltage",
    "pack_cycles": "pack_voltage",
    "pack_energy": "pack_voltage",
    "pack_exposure": "cell_temp cell_voltage",
    "pack_state": "bms_fault bms_state contactor_state vehicle_speed",
    "pack_zero": "charger_current contactor_state motor_speed trigger vehicle_speed",
    "resistance": "ambient_temp bms_temp brake_demand motor_current motor_speed pack_current pack_voltage "
    "regen_current regen_demand",
    "side_speed": "ambient_temp bms_temp brake_demand motor_current vehicle_speed",
    "temp_sensors": "ambient_temp bms_temp cell_temp fet_temp motor_temp",
    "torque_release": "packet_age vehicle_speed",
    "unasked_braking": "throttle",
    "use": "odometer pack_current vehicle_speed",
}


def doubted_figures(doubts: Mapping[str, str], packs: Collection[int] = (1,)) -> dict[str, str]:
    """By metric name: why it is in doubt. doubts: reason by role, of one profile. packs: numbers of those side by side
    that were measured; what all of them give together is in doubt with any of them."""
    if not doubts:
        return {}
    from herdbook.pipeline.metrics import all_sets

    own = {pack: of_this_pack(doubts, pack) for pack in packs}
    of_all = {unmarked(role)[1]: why for role, why in doubts.items()}
    found: dict[str, str] = {}
    for one in all_sets().values():
        read = {role for entry in one.needs for role in entry.split("|")} | {*ALSO.get(one.id, "").split()}
        for pack, reasons in own.items() if one.each_pack else [(1, of_all)]:
            if why := next((reason for role, reason in reasons.items() if role in read), ""):
                found.update({marked(pack, name): why for name in one.gives})
    return found
