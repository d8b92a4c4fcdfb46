"""What a name must speak of to be a role: one line a role, with what rules it out."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Wanted:
    """needs: concepts that signal, message or comment must name, "a|b" for one of them; the quantity (voltage, current,
    temp, speed) is told by the unit. never: concepts that rule a signal out. least: what its highest value must reach,
    in the role's unit."""

    role: str
    needs: tuple[str, ...]
    never: frozenset[str] = frozenset()
    least: float = float("-inf")


def _line(role: str, needs: str, never: str = "", least: float = float("-inf")) -> Wanted:
    return Wanted(role, tuple(needs.split()), frozenset(never.split()), least)


_ODD = "reserve aux offset mean count bleed"
WANTED: tuple[Wanted, ...] = (
    _line("pack_voltage", "pack|bms", f"cell min link limit charger motor phase charge discharge brake {_ODD}", 8),
    _line(
        "pack_current",
        "pack|bms",
        f"cell min limit charger motor phase torque regen charge discharge derate demand {_ODD}",
        2,
    ),
    _line("pack_soc", "soc", f"cell min max limit demand {_ODD}"),
    _line("charge_limit", "charge limit", f"discharge cell charger motor temp {_ODD}"),
    _line("discharge_limit", "discharge limit", f"cell charger motor temp {_ODD}"),
    _line("contactor_state", "contactor", "fault count demand"),
    _line("bms_state", "pack|bms state", "fault contactor count reserve soc charger motor controller cell"),
    _line("bms_fault", "pack|bms fault", "count motor controller charger state"),
    _line("insulation_resistance", "insulation", f"fault limit demand state {_ODD}"),
    _line("bms_temp", "board|bms", f"cell motor stage ambient min max charger controller winding fault soc {_ODD}"),
    _line("ambient_temp", "ambient", f"motor cell stage {_ODD}"),
    _line("controller_fault", "controller|stage fault", "count motor pack bms charger state"),
    _line("controller_uptime", "uptime", "age reserve count"),
    _line("derate", "derate", "demand"),
    _line("brake_demand", "brake demand", f"regen throttle current {_ODD}"),
    _line("regen_demand", "regen demand", f"delivered limit {_ODD}"),
    _line("regen_current", "regen delivered", f"demand limit {_ODD}"),
    _line("regen_allowed", "regen limit", f"demand delivered {_ODD}"),
    _line("regen_state", "regen state", "fault demand"),
    _line("throttle", "throttle|trigger", f"brake regen fault {_ODD}"),
    _line("trigger", "trigger demand|throttle|radio|controller", "brake throttle fault"),
    _line("link_quality", "radio quality", "fault"),
    _line("packet_age", "age", "fault"),
    _line("vehicle_speed", "vehicle|speed", f"motor limit demand max min {_ODD}", 3),
    _line("odometer", "odometer", "speed"),
    _line("charger_voltage", "charger", f"cell limit demand max min {_ODD}", 8),
    _line("charger_current", "charger", f"cell limit demand max min {_ODD}", 0.5),
    _line("charger_state", "charger state", "fault pack bms"),
    _line("vehicle_serial", "vehicle serial", "firmware hardware"),
    _line("pack_serial", "pack|bms serial", "firmware hardware cell"),
    _line("controller_serial", "controller serial", "firmware hardware"),
    _line("pack_firmware", "pack|bms firmware", "hardware"),
    _line("controller_firmware", "controller firmware", "hardware"),
    _line("pack_hardware", "pack|bms hardware", "firmware"),
    _line("controller_hardware", "controller hardware", "firmware"),
)
SIDED: tuple[Wanted, ...] = (
    _line("motor_speed", "motor|controller|rotation", f"limit demand max min vehicle {_ODD}", 200),
    _line("motor_current", "motor|torque", f"limit demand max min phase pack {_ODD}", 2),
    _line("motor_temp", "motor|winding", f"stage fault limit max min controller cell {_ODD}"),
    _line("fet_temp", "stage|controller", f"winding fault limit max min motor cell {_ODD}"),
    _line("dc_link_voltage", "link", f"limit max min demand phase {_ODD}", 8),
    _line("motor_fault", "motor fault", "count pack bms charger"),
)
COUNTED: tuple[Wanted, ...] = (
    _line("cell_voltage", "cell", f"min mean limit pack fault {_ODD}", 2),
    _line("cell_temp", "cell|pack|bms", f"min mean limit motor stage ambient fault winding controller charger {_ODD}"),
    _line("cell_bleed", "bleed", "fault limit min mean current demand"),
)
