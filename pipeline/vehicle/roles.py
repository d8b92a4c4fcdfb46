"""The roles: what a signal means, its unit inside Herdbook, and what values are possible.

Rules and metrics speak of roles, never of DBC names. A role may be indexed: cells and sensors count from 1,
motors are named: "left" and "right", or another of MOTORS. Values outside low..high are impossible and become null,
never 0.
Pack current is positive on discharge. Motor current is positive while driving, negative while braking.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Role:
    """One canonical quantity. index: "", "cell", "sensor" or "side" (a motor). unit "state": a value of `states`."""

    name: str
    unit: str
    low: float
    high: float
    meaning: str
    index: str = ""
    states: tuple[str, ...] = ()


SIDES = ("left", "right")
ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth")
ONLY = "only"  # the motor of a vehicle with one
MOTORS = (*SIDES, "front", "rear", ONLY, *ORDINALS)  # as they stand before "motor" in a sentence

_ALL = (
    # pack
    Role("pack_voltage", "V", 0.0, 200.0, "Voltage at the pack terminals."),
    Role("pack_current", "A", -1000.0, 1000.0, "Pack current; positive on discharge."),
    Role("pack_soc", "%", 0.0, 100.0, "State of charge as the battery management system reports it."),
    Role("charge_limit", "A", 0.0, 1000.0, "Charge current the pack allows now (charger or regeneration)."),
    Role("discharge_limit", "A", 0.0, 1000.0, "Discharge current the pack allows now."),
    Role("contactor_state", "state", 0, 0, "Main switch of the pack.", states=("open", "precharge", "closed", "fault")),
    Role(
        "bms_state",
        "state",
        0,
        0,
        "Mode of the battery management system.",
        states=("sleep", "idle", "drive", "charge", "balance", "fault"),
    ),
    Role("bms_fault", "bits", 0, 2**32 - 1, "Fault bits of the battery management system; 0 = none."),
    Role(
        "insulation_resistance",
        "kOhm",
        0.0,
        1e6,
        "Resistance between pack and frame, as an insulation monitor reports it.",
    ),
    Role("cell_voltage", "V", 0.0, 5.0, "Voltage of one group of parallel cells.", index="cell"),
    Role("cell_temp", "degC", -40.0, 150.0, "Cell temperature sensor.", index="sensor"),
    Role("cell_bleed", "1", 0.0, 1.0, "Balancing resistor of one group is on.", index="cell"),
    Role("bms_temp", "degC", -40.0, 150.0, "Board of the battery management system."),
    Role("ambient_temp", "degC", -50.0, 80.0, "Air around the vehicle."),
    # motors and controller
    Role("motor_speed", "rpm", -20000.0, 20000.0, "Motor speed; positive forwards.", index="side"),
    Role(
        "motor_current",
        "A",
        -500.0,
        500.0,
        "Torque current; positive drives, negative brakes.",
        index="side",
    ),
    Role("motor_temp", "degC", -40.0, 250.0, "Winding temperature sensor.", index="side"),
    Role("fet_temp", "degC", -40.0, 200.0, "Power stage temperature sensor.", index="side"),
    Role("dc_link_voltage", "V", 0.0, 200.0, "Voltage at the controller's DC link.", index="side"),
    Role("motor_fault", "bits", 0, 2**32 - 1, "Fault bits of one motor channel; 0 = none.", index="side"),
    Role("controller_fault", "bits", 0, 2**32 - 1, "Fault bits of the controller as a whole; 0 = none."),
    Role("controller_uptime", "s", 0.0, 4.3e9, "Time since the controller started."),
    Role("derate", "%", 0.0, 100.0, "Torque the controller allows itself; 100 = all of it."),
    # braking
    Role("brake_demand", "%", 0.0, 100.0, "Brake command as the controller received it."),
    Role("regen_demand", "A", 0.0, 1000.0, "Pack-side regeneration current the controller wants; a magnitude."),
    Role("regen_current", "A", 0.0, 1000.0, "Pack-side regeneration current delivered; a magnitude."),
    Role("regen_allowed", "A", 0.0, 1000.0, "Regeneration current allowed after all limiters; a magnitude."),
    Role(
        "regen_state",
        "state",
        0,
        0,
        "What the regenerative brake does.",
        states=("idle", "active", "limited", "refused", "fault"),
    ),
    # rider and remote
    Role("throttle", "%", 0.0, 100.0, "Drive command as the controller received it."),
    Role("trigger", "1", 0.0, 1.0, "Dead-man trigger (or enable) is held."),
    Role("link_quality", "%", 0.0, 100.0, "Quality of the remote's radio link."),
    Role("packet_age", "ms", 0.0, 65535.0, "Age of the newest remote packet."),
    # vehicle
    Role("vehicle_speed", "m/s", -50.0, 50.0, "Vehicle speed; positive forwards."),
    Role("odometer", "km", 0.0, 1e6, "Distance counter."),
    # charger
    Role("charger_voltage", "V", 0.0, 200.0, "Charger output voltage."),
    Role("charger_current", "A", 0.0, 200.0, "Charger output current; a magnitude."),
    Role(
        "charger_state",
        "state",
        0,
        0,
        "What the charger does.",
        states=("absent", "ready", "constant_current", "constant_voltage", "done", "fault"),
    ),
    # identity (decoded as integers, kept as text)
    Role("vehicle_serial", "id", 0, 2**63, "Serial number of the vehicle."),
    Role("pack_serial", "id", 0, 2**63, "Serial number of the pack."),
    Role("controller_serial", "id", 0, 2**63, "Serial number of the controller."),
    Role("pack_firmware", "id", 0, 2**63, "Firmware version of the pack."),
    Role("controller_firmware", "id", 0, 2**63, "Firmware version of the controller."),
    Role("pack_hardware", "id", 0, 2**63, "Hardware version of the pack."),
    Role("controller_hardware", "id", 0, 2**63, "Hardware version of the controller."),
)

ROLES: dict[str, Role] = {r.name: r for r in _ALL}
