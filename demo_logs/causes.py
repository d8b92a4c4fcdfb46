"""What should be said about what: for each simulated fault, the rules that name its cause.

`right`: one of these, about the right item, finds the fault. `side`: true consequences that may be said as well; they
are neither a find nor a wrong word. `acts_at`: size from which a service desk would act (engineering choices, each from
the figures of the trade named in simulator/faults.py or the profile's own limits); smaller ones are simulated to
see where finding begins.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Cause:
    right: tuple[str, ...]
    side: tuple[str, ...] = ()
    acts_at: float = 0.0
    stop_use: bool = False


_CELL_LIMITS = ("group_under_voltage", "group_over_voltage", "bms_fault")

CAUSES: dict[str, Cause] = {
    "weak_group": Cause(("weak_group",), (*_CELL_LIMITS, "hot_for_load"), 1.5),
    "imbalance": Cause(("out_of_balance",), (*_CELL_LIMITS, "pack_capacity_low"), 3.0),
    "leaking_group": Cause(("leaking_group",), (*_CELL_LIMITS, "out_of_balance", "leak_growing"), 4.0),
    "loose_sense_wire": Cause(("loose_sense_wire",), _CELL_LIMITS, 40.0),
    "low_capacity": Cause(("low_capacity_group",), (*_CELL_LIMITS, "pack_capacity_low"), 10.0),
    "balancer_stuck": Cause(
        ("balancer_stuck",), (*_CELL_LIMITS, "out_of_balance", "leaking_group", "leak_growing"), 1.0
    ),
    # its rider goes by a charge that is no longer there: the groups are truly driven under their limit
    "worn_pack": Cause(("pack_capacity_low",), (*_CELL_LIMITS, "soc_off"), 25.0),
    "current_offset": Cause(("current_sensor_offset",), ("pack_capacity_low", "soc_off"), 1.0),
    "hot_for_load": Cause(("hot_for_load", "resistance_outside_groups"), (), 10.0),
    # what heats feeds on the pack past its sensor: the reported charge is then truly wrong
    "rising_without_load": Cause(("heat_without_load",), ("hot_for_load", "bms_fault", "soc_off"), 25.0, True),
    "temp_open": Cause(("temp_sensor_fault",), ("bms_fault",), 1.0),
    "temp_short": Cause(("temp_sensor_fault",), ("bms_fault",), 1.0),
    "temp_frozen": Cause(("temp_sensor_fault",), (), 1.0),
    "temp_offset": Cause(("temp_sensor_fault",), (), 8.0),
    "winding_hot": Cause(("winding_hot",), ("derating_often",), 2.5),
    "charger_stops_early": Cause(("charge_ends_early",), ("soc_off",), 1.0),
    "regen_refused_unexplained": Cause(("regen_refused_unexplained",), ("regen_weak",), 0.5),
    "regen_weak": Cause(("regen_weak",), (), 0.3),
    "regen_late": Cause(("regen_late",), ("regen_weak",), 300.0),
    "regen_one_sided": Cause(("regen_one_sided",), ("regen_weak",), 0.4),
    "regen_dropout": Cause(
        ("regen_dropout",), ("regen_weak", "braking_over_voltage", "controller_faults"), 0.3, stop_use=True
    ),
    "regen_overvoltage": Cause(("braking_over_voltage",), ("controller_faults",), 14.0),
    "torque_after_release": Cause(("torque_after_release",), (), 800.0, stop_use=True),
    "belt_slip": Cause(("belt_slip",), (), 6.0),
    "encoder_dropout": Cause(("encoder_dropout",), ("controller_faults",), 20.0),
    "link_loss": Cause(("link_loss",), ("controller_faults",), 20.0),
    "controller_resets": Cause(("controller_resets",), ("controller_faults", "data_gaps", "message_faults"), 6.0),
    "rolling_drag": Cause(("drag_high",), (), 2.5),
    "open_sense_wire": Cause(("open_sense_wire", "loose_sense_wire"), ("bms_fault",), 1.0),
    "contactor_opens": Cause(
        ("contactor_opened_under_load",),
        ("regen_dropout", "braking_over_voltage", "controller_faults", "bms_fault"),
        10.0,
    ),
    "pack_voltage_gain": Cause(("pack_sum_disagrees",), (), 2.0),
    "soc_count": Cause(("soc_off",), (), 15.0),
    "parked_empty": Cause(("parked_empty",), _CELL_LIMITS, 21.0),
}
STOP_USE = tuple(name for name, cause in CAUSES.items() if cause.stop_use)

# Words that are true about vehicles without a fault; anything else about them is false.
HARMLESS_WORDS: dict[str, tuple[str, ...]] = {
    "heavy_use": ("hot_because_of_load", "derating_often"),
    "full_pack": ("regen_refused_explained",),
    "cold_pack": ("regen_refused_explained",),
    "slow_rider": ("regen_refused_explained",),
    "poor_logger": ("data_gaps", "message_faults"),
    "aged_pack": ("pack_capacity_low",),
    "": ("regen_refused_explained", "hot_because_of_load"),
}
