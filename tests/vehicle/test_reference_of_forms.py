"""The forms that dbc_demo/README.md shows are read as they stand there, and it shows every option there is."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from herdbook.pipeline.vehicle.profile import load_profile
from herdbook.pipeline.vehicle.role_table import OPTIONS

PAGE = Path(__file__).parents[2] / "dbc_demo" / "README.md"
BLOCK = re.search(r"## Where a role's value.*?```toml\n(.*?)```", PAGE.read_text("utf-8"), re.DOTALL)
ENTRIES = BLOCK[1].strip().splitlines() if BLOCK else []

# Every message the page speaks of: signals by unit.
BUS: dict[str, dict[str, list[str]]] = {
    "Pack": {"V": ["Volt"], "A": ["Amps"], "": ["Fill"], "kW": ["Power"]},
    "Pack1": {"A": ["Amps"]},
    "Pack2": {"A": ["Amps"]},
    "Cells": {"V": [f"Group{n:02d}" for n in range(1, 13)] + [f"Cell_{n:02d}" for n in range(12)]},
    "CELLS_A": {"V": [f"C{n}" for n in range(1, 5)]},
    "CELLS_B": {"V": [f"C{n}" for n in range(5, 9)]},
    **{f"Mod{m}": {"V": [f"Cell{n}" for n in range(1, 13)]} for m in range(1, 9)},
    "Cell": {"V": ["Volt"], "": ["Number"]},
    "Bal": {"": ["Mask"]},
    **{f"INV{x}": {"degC": ["Temp"]} for x in ("_L", "_R", "1", "2", "3", "4")},
    "INV": {"degC": ["Temp"], "rpm": ["Rpm"], "Nm": ["Torque"]},
    "Drv": {"": ["Torque", "Word", "Gear", "Mode", "Errors"]},
    "Err": {"": ["OverVolt", "UnderVolt", "TooHot", "Code", "Number"]},
    "ID": {"": ["Major", "Minor", "Serial"]},
}


def dbc() -> str:
    text = 'VERSION ""\nNS_ :\nBS_:\nBU_: X INV_R\n'
    for i, (message, by_unit) in enumerate(BUS.items()):
        text += f"\nBO_ {0x98FF0000 + 256 * i} {message}: 64 INV_R\n"
        named = [(name, unit) for unit, names in by_unit.items() for name in names]
        for k, (name, unit) in enumerate(named):
            text += f' SG_ {name} : {16 * k}|16@1+ (1,0) [0|0] "{unit}" X\n'
        if message == "Cells":
            text += ' SG_ Block : 448|64@1+ (1,0) [0|0] "" X\n'
    drive, errors = (0x98FF0000 + 256 * list(BUS).index(name) for name in ("Drv", "Err"))
    return text + (
        f'VAL_ {drive} Mode 0 "Idle" 1 "Braking" ;\nVAL_ {drive} Gear 2 "Ahead" ;\n'
        f'VAL_ {errors} Code 0 "none" 5 "too hot" 6 "too cold" ;\n'
        'BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG";\n'
        'BA_DEF_DEF_ "VFrameFormat" "J1939PG";\n'
    )


@pytest.mark.parametrize("entry", ENTRIES)
def test_a_form_of_the_reference_is_read(tmp_path: Path, entry: str) -> None:
    (tmp_path / "a.dbc").write_text(dbc())
    buses = "".join(f'[[bus]]\ndbc = "a.dbc"\nchannel = "can{n}"\n' for n in (0, 1))
    role = entry.split(" ")[0]
    (tmp_path / "p.toml").write_text(f"[drive]\ntorque_nm_per_a = 0.1\n{buses}[roles]\n{entry}\n")
    assert {m.role for m in load_profile(tmp_path / "p.toml").roles} == {role}


def test_the_reference_shows_every_option() -> None:
    shown: set[str] = set()
    for entry in ENTRIES:
        (value,) = tomllib.loads(entry).values()
        inner = [value, *value.values()] if isinstance(value, dict) else []
        shown |= {key for one in inner if isinstance(one, dict) for key in one}
    assert not OPTIONS - shown
