"""What a maker hands over: the DBC file and the profile (TOML) of a design, written into a folder.

Figures are the maker's own: some are left out, thermal ones are known to a tenth. Nothing of a vehicle is in them.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from demo_logs.makers.bus import Bus, Carried, dbc_text
from demo_logs.makers.design import Design


def write_profile(folder: Path, design: Design, bus: Bus) -> Path:
    """Write NAME.dbc and NAME.toml; the path of the TOML."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{design.name}.dbc").write_text(dbc_text(design, bus), "utf-8")
    path = folder / f"{design.name}.toml"
    path.write_text(profile_text(design, bus), "utf-8")
    return path


def profile_text(design: Design, bus: Bus) -> str:
    rng = np.random.default_rng([design.seed, design.index, 6])
    vehicle, pack, drive = _vehicle(design), _pack(design, rng), _drive(design, rng)
    lines = [f'name = "{design.name}"', "", "[vehicle]", *_table(vehicle), "", "[pack]", *_table(pack)]
    lines += ["", "[drive]", *_table(drive), "", "[[bus]]", f'dbc = "{design.name}.dbc"', "bit_rate = 500000", ""]
    guarded = [m for m in bus.messages if m.counter]
    if guarded:
        lines += ["[protection]"]
        lines += [f'"{m.name}" = {{ form = "counter", counter = "{m.counter}" }}' for m in guarded]
        lines.append("")
    upper = design.name.upper()
    lines += [
        "[identity]",
        f'path = "(?P<vehicle>{upper}-\\\\d{{4}})"',
        f'vehicle = "{upper}-{{serial:04d}}"',
        "",
        "[roles]",
        *_roles(bus),
    ]
    return "\n".join(lines) + "\n"


def _table(values: dict[str, object]) -> list[str]:
    return [f'{k} = "{v}"' if isinstance(v, str) else f"{k} = {_number(v)}" for k, v in values.items()]


def _number(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return repr(float(f"{value:.5g}"))
    return str(value)


def _vehicle(design: Design) -> dict[str, object]:
    d = design.drive
    return {
        "maker": f"Maker {design.index}",
        "model": design.name,
        "kind": d.kind,
        "zone": "Europe/Vienna",
        "mass_kg": round(d.mass_kg),
        "top_speed_kmh": round(d.top_ms * 3.6, 1),
        "drag_area_m2": round(d.drag_area_m2, 2),
        "rolling": round(d.rolling, 3),
        "touch_max_c": 60.0,
    }


def _pack(design: Design, rng: np.random.Generator) -> dict[str, object]:
    cell, pack, firmware, charger = design.cell, design.pack, design.firmware, design.charger
    out: dict[str, object] = {
        "chemistry": "LFP",
        "cells": pack.groups,
        "rated_ah": cell.rated_ah,
        "cell_min_v": firmware.cell_low_v,
        "cell_max_v": firmware.cell_top_v,
        "charge_min_c": 0.0,
        "charge_max_c": firmware.hot_c[1],
        "discharge_min_c": -20.0,
        "discharge_max_c": 60.0,
        "max_charge_a": firmware.max_charge_a,
        "max_discharge_a": firmware.max_discharge_a,
        "charger_a": charger.amps,
        "charger_v": round(charger.cell_v * pack.groups, 1),
        "charge_end_a": charger.end_a,
        "sensors": pack.sensors,
    }
    if firmware.balance != "none":
        out |= {"balance_start_v": firmware.balance_v, "balance_spread_v": firmware.balance_spread_v}
        out["bleed_ohm"] = 3.4 / firmware.bleed_a
    if rng.random() < 0.7:
        out["cell_r10s_mohm"] = cell.r_mohm * float(rng.uniform(0.9, 1.1))
    if rng.random() < 0.3:
        out["cell_r_ea_ev"] = round(cell.ea_ev, 2)
    if rng.random() < 0.5:
        out["heat_capacity_j_per_k"] = pack.heat_j_k * float(rng.uniform(0.9, 1.1))
        out["heat_loss_w_per_k"] = pack.loss_w_k * float(rng.uniform(0.9, 1.1))
    return out


def _drive(design: Design, rng: np.random.Generator) -> dict[str, object]:
    d, f = design.drive, design.firmware
    out: dict[str, object] = {
        "motors": d.motors,
        "motor_w": round(d.mass_kg * 1.5 * d.top_ms / d.motors),
        "pole_pairs": d.pole_pairs,
        "gear": d.gear,
        "wheel_m": d.wheel_m,
        "torque_nm_per_a": d.nm_per_a,
        "max_motor_a": d.max_a,
        "winding_max_c": f.winding_c[1],
        "winding_derate_c": f.winding_c[0],
        "fet_max_c": f.stage_c[1],
        "fet_derate_c": f.stage_c[0],
        "trigger_timeout_ms": f.timeout_ms,
        "dc_link_max_v": f.link_max_v,
        "regen_max_a": f.regen_max_a,
        "regen_fade_full_kmh": f.fade_kmh[0],
        "regen_fade_zero_kmh": f.fade_kmh[1],
        "regen_cell_full_v": f.top_v[0],
        "regen_cell_zero_v": f.top_v[1],
        "regen_cold_full_c": f.cold_c[0],
        "regen_cold_zero_c": f.cold_c[1],
        "regen_hot_full_c": f.hot_c[0],
        "regen_hot_zero_c": f.hot_c[1],
        "regen_soc_full_pct": f.full_pct[0],
        "regen_soc_zero_pct": f.full_pct[1],
        "regen_charge_limit": f.brake_by_pack,
    }
    if f.coast_brake > 0:
        out["coast_brake"] = True
    if rng.random() < 0.6:
        out["brake_response_ms"] = round(1000 * (0.12 + f.brake_lag_s + d.lag_s))
    if rng.random() < 0.6:
        out["winding_ohm"] = d.winding_ohm
        out["winding_heat_capacity_j_per_k"] = (d.winding_j_k + 0.5 * d.case_j_k) * float(rng.uniform(0.9, 1.1))
        out["winding_heat_loss_w_per_k"] = d.case_w_k * float(rng.uniform(0.9, 1.3))
    return out


def _roles(bus: Bus) -> list[str]:
    by_role: dict[str, list[tuple[str, Carried]]] = {}
    for m in bus.messages:
        for c in m.carried:
            by_role.setdefault(c.role, []).append((m.name, c))
    out = []
    for role, carried in by_role.items():
        first = carried[0][1]
        if first.item == "":
            out.append(f"{role} = {_entry(*carried[0])}")
        elif isinstance(first.item, str):
            inside = ", ".join(f"{c.item} = {_entry(message, c)}" for message, c in carried)
            out.append(f"{role} = {{ {inside} }}")
        else:
            out += _counted(role, carried)
    return out


def _counted(role: str, carried: list[tuple[str, Carried]]) -> list[str]:
    """Numbered items: names differ by their number alone, those of messages as well where each has its own."""
    message, first = min(carried, key=lambda pair: int(pair[1].item))
    own = len({m for m, _ in carried}) > 1
    if own:
        message = "{n}".join(message.rsplit("1", 1))
    two = "01" in first.name
    pattern = first.name.replace("01", "{n:02d}", 1) if two else first.name.replace("1", "{n}", 1)
    return [f"{role} = {_entry(message, first, pattern, len(carried))}"]


def _entry(message: str, c: Carried, pattern: str = "", count: int = 0) -> str:
    options = [f'signal = "{message}.{pattern or c.name}"']
    if count:
        options.append(f'n = "1..{count}"')
    if c.scale != 1.0:
        options.append(f"scale = {c.scale:g}")
    if c.gone is not None:
        options.append(f"not_available = [{c.gone * c.step + c.base!r}]")
    if c.states:
        options.append("states = { " + ", ".join(f'{k} = "{s}"' for s, k in c.states) + " }")
    return f"{{ {', '.join(options)} }}" if len(options) > 1 else f'"{message}.{c.name}"'
