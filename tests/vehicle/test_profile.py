"""A profile is checked against its DBC at load, and every error says where and what to do."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from herdbook.pipeline.errors import ProfileError
from herdbook.pipeline.vehicle.profile import Mapping, Profile, load_profile, load_profiles
from herdbook.pipeline.vehicle.roles import ROLES
from herdbook.pipeline.vehicle.units import conversion

DATA = Path(__file__).parents[1] / "toy" / "data"


def mapping(profile: Profile, role: str, item: int | str = "") -> Mapping:
    return next(m for m in profile.roles if (m.role, m.item) == (role, item))


def broken(tmp_path: Path, old: str, new: str) -> str:
    """The error that one changed line of the profile gives."""
    shutil.copy(DATA / "toy.dbc", tmp_path)
    text = (DATA / "toy.toml").read_text()
    assert old in text
    (tmp_path / "toy.toml").write_text(text.replace(old, new))
    with pytest.raises(ProfileError) as caught:
        load_profile(tmp_path / "toy.toml")
    assert "toy.toml" in str(caught.value)
    return str(caught.value)


def test_roles_signs_items_and_bits() -> None:
    profile = load_profile(DATA / "toy.toml")
    assert profile.name == profile.family == "toy"
    assert mapping(profile, "pack_current").scale == -1.0
    assert mapping(profile, "cell_voltage", 3) == Mapping("cell_voltage", 3, "Cells", "Cell03", 1e-3)
    assert mapping(profile, "cell_bleed", 4).bit == 3
    assert mapping(profile, "motor_temp", "left").signal == "Temp"
    assert mapping(profile, "bms_state").states == {0: 0, 1: 1, 2: 2, 3: 3}
    assert mapping(profile, "pack_soc").not_available == (127.5,)
    assert profile.pack_figures.rated_ah == 10.0
    lacking = replace(profile, pack={"rated_ah": "ten"})
    with pytest.raises(KeyError, match="profile toy: \\[pack\\] rated_ah is missing"):
        assert lacking.pack_figures.rated_ah


# Expected values by hand from the definitions: 0 degC = 32 degF = 273.15 K; 1 mph = 0.44704 m/s exactly.
@pytest.mark.parametrize(
    ("role", "unit", "value", "expected"),
    [
        ("pack_voltage", "mV", 48000, 48.0),
        ("motor_temp", "degF", 212, 100.0),
        ("motor_temp", "0.1K", 2731.5, 0.0),
        ("motor_temp", "K", 300, 26.85),
        ("vehicle_speed", "km/h", 36, 10.0),
        ("vehicle_speed", "mph", 1, 0.44704),
        ("motor_speed", "rad/s", 2 * 3.141592653589793, 60.0),
        ("odometer", "m", 1500, 1.5),
        ("packet_age", "s", 0.25, 250.0),
        ("trigger", "", 1, 1.0),
        ("vehicle_serial", "hex", 77, 77),
    ],
)
def test_unit_conversion(role: str, unit: str, value: float, expected: float) -> None:
    scale, offset = conversion(ROLES[role], unit)
    assert value * scale + offset == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"Pack.Volt"', '"Pack.Volts"', "message Pack has no signal Volts; it has Counter, Current"),
        ('"Pack.Volt"', '"Pak.Volt"', "no message Pak; they have Cells, Drive"),
        ('"Pack.Volt"', '"Drive.Speed"', "unit 'km/h' cannot be turned into V"),
        ("pack_voltage =", "pack_volts =", "role 'pack_volts' is not known; did you mean pack_voltage"),
        ("cells = 4", "cells = 5", "cells = 5, but cell_voltage maps 4 groups"),
        ('2 = "drive"', '2 = "driving"', "state 'driving' is not known; known: sleep, idle, drive"),
        ('n = "1..4" }\ncell_bleed', 'n = "0..3" }\ncell_bleed', 'not like "1..12"'),
        ("Cell{n:02d}", "Cell{n.__class__}", "only {n} or {n:02d}"),
        ("Europe/Vienna", "Europe/Hill", "no time zone"),
        ('"toy.dbc"', '"other.dbc"', "no such file beside the profile"),
        ("scale = -1", "factor = -1", "option 'factor' is not known"),
        ("(?P<vehicle>", "(", "needs a group"),
        ("[roles]", "[rolls]", "table [rolls] is not known"),
        ("name =", "name ", "is not TOML"),
        ('"toy"', '"../toy"', "must be letters"),
        ("{serial:03d}", "{serial.x}", "must hold {serial}"),
        ('left = "Drive.Temp"', 'middle = "Drive.Temp"', "side 'middle'"),
    ],
)
def test_errors_say_what_is_wrong(tmp_path: Path, old: str, new: str, said: str) -> None:
    assert said in broken(tmp_path, old, new)


def test_hash_follows_profile_and_dbc(tmp_path: Path) -> None:
    for name in ("toy.dbc", "toy.toml"):
        shutil.copy(DATA / name, tmp_path)
    first = load_profile(tmp_path / "toy.toml")
    (tmp_path / "toy.dbc").write_text((DATA / "toy.dbc").read_text().replace("(0.01,0)", "(0.02,0)"))
    second = load_profile(tmp_path / "toy.toml")
    assert first.hash != second.hash
    assert first.network_hash != second.network_hash
    assert first.hash == load_profile(DATA / "toy.toml").hash


def test_folder_of_profiles(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match="no vehicle profile found"):
        load_profiles(tmp_path)
    for name in ("toy.dbc", "toy.toml"):
        shutil.copy(DATA / name, tmp_path)
    shutil.copy(DATA / "toy.toml", tmp_path / "again.toml")
    with pytest.raises(ProfileError, match="two profiles are named 'toy'"):
        load_profiles(tmp_path)
    text = (DATA / "toy.toml").read_text()
    dated = 'name = "toy2"\nfamily = "toy"\nvalid = { from = 2026-06-01 }\n'
    (tmp_path / "again.toml").write_text(dated + text.replace('name = "toy"', ""))
    one, two = load_profiles(tmp_path)
    june = 1780272000_000000  # 2026-06-01T00:00:00Z
    assert (one.family, two.family) == ("toy", "toy")
    assert not two.covers(june - 1)
    assert two.covers(june)
    assert one.covers(june)
