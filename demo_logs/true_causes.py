"""Which of a rule's causes are the true one of a simulated fault, by what the simulator does to the vehicle.

Where its mechanism is one that nothing on a bus can tell from another (an aged cell from one that dropped out), all of
them are true. A cause is named by how its sentence begins. Written down from simulator/faults.py and the rules' lists
before any score was looked at.
"""

from __future__ import annotations

_TAP = ("a loose or corroded connector", "a poor crimp", "a wire about to break")
_SENSOR_WIRE = ("Broken or chafed sensor wire", "Plug corroded")

TRUE: dict[tuple[str, str], tuple[str, ...]] = {
    # (fault, rule): causes
    ("weak_group", "weak_group"): ("an aged or damaged cell", "a parallel cell that has dropped out"),
    ("imbalance", "out_of_balance"): ("a group was replaced or charged apart",),
    ("leaking_group", "leaking_group"): ("a soft short inside a cell", "moisture or dirt"),
    ("loose_sense_wire", "loose_sense_wire"): _TAP,
    ("open_sense_wire", "open_sense_wire"): ("a broken wire", "a pin out of its place"),
    ("open_sense_wire", "loose_sense_wire"): _TAP,
    ("low_capacity", "low_capacity_group"): ("an aged group", "a parallel cell", "cells of another batch"),
    ("balancer_stuck", "balancer_stuck"): ("a switch of the balancer that is stuck on",),
    ("worn_pack", "pack_capacity_low"): ("age and use", "long storage"),
    ("current_offset", "current_sensor_offset"): ("drift of the sensor", "a sensor magnetised", "wrong zero"),
    ("hot_for_load", "hot_for_load"): ("High resistance of one or more groups, or of a joint",),
    ("hot_for_load", "resistance_outside_groups"): ("a loose or corroded terminal", "worn contacts", "a poor crimp"),
    ("rising_without_load", "heat_without_load"): ("A balancing resistor or transistor", "A leak current"),
    ("temp_open", "temp_sensor_fault"): _SENSOR_WIRE,
    ("temp_short", "temp_sensor_fault"): _SENSOR_WIRE,
    ("temp_frozen", "temp_sensor_fault"): ("Sensor aged",),
    ("temp_offset", "temp_sensor_fault"): ("Sensor aged", "Sensor come off its place"),
    ("winding_hot", "winding_hot"): ("Cooling blocked", "Rising winding resistance"),
    ("charger_stops_early", "charge_ends_early"): ("a faulty charger",),
    ("regen_refused_unexplained", "regen_refused_unexplained"): ("The controller blocks the brake by itself",),
    ("regen_weak", "regen_weak"): ("Weakened motor magnets", "Current limit of the power stage"),
    ("regen_late", "regen_late"): ("Ramp or filter set too slow",),
    ("regen_one_sided", "regen_one_sided"): ("One power stage or motor weak", "A phase wire", "Uneven configuration"),
    ("regen_dropout", "regen_dropout"): ("The brake reported a fault", "The controller tripped"),
    ("regen_overvoltage", "braking_over_voltage"): ("High resistance in the pack, a joint",),
    ("torque_after_release", "torque_after_release"): ("Controller firmware",),
    ("belt_slip", "belt_slip"): ("Belt tension", "Belt teeth", "Pulley loose", "Oil or water"),
    ("encoder_dropout", "encoder_dropout"): ("Encoder plug", "Encoder dirty", "Interference"),
    ("link_loss", "link_loss"): ("Remote's battery", "Receiver's antenna", "Strong radio", "Body between"),
    ("controller_resets", "controller_resets"): ("Loose power", "Firmware watchdog", "Moisture"),
    ("rolling_drag", "drag_high"): ("Brake dragging", "Bearing worn", "Belt too tight", "Tyre pressure"),
    ("contactor_opens", "contactor_opened_under_load"): ("a loose pack connector", "a fault of the pack's electronics"),
    ("pack_voltage_gain", "pack_sum_disagrees"): ("the pack voltage sensor",),
    ("soc_count", "soc_off"): ("the current sensor's", "the electronics count with", "the electronics are set"),
    ("parked_empty", "parked_empty"): ("not charged after the ride", "stored for the season"),
}


def is_true(fault: str, rule: str, cause: str) -> bool:
    """Raises: KeyError for a fault that the rule does not find."""
    return cause.startswith(TRUE[fault, rule])
