"""Every form in which a profile may say where a value comes from, held against cantools' own decoding of the frames."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.vehicle.mapped import STEP_US, T0, Sent, profile_of, roles_of

HEAD = 'VERSION ""\nNS_ :\nBS_:\nBU_: BMS INV LOG\n'


def message(number: int, name: str, *signals: str, length: int = 8, sender: str = "BMS") -> str:
    """signals: "Name; start|length@order sign; (factor,offset); unit"; a mark of a multiplexor may follow the name."""
    lines = []
    for one in signals:
        label, bits, scale, unit = [*one.split(";"), ""][:4]
        lines.append(f' SG_ {label.strip()} : {bits.strip()} {scale.strip()} [0|0] "{unit.strip()}" LOG')
    return f"\nBO_ {number} {name}: {length} {sender}\n" + "\n".join(lines) + "\n"


def cells(prefix: str, names: list[str], bits: int = 16, factor: float = 0.001) -> list[str]:
    return [f"{prefix}{n}; {i * bits}|{bits}@1+; ({factor},0); V" for i, n in enumerate(names)]


def volts(seed: int, *names: str) -> dict[str, float]:
    rng = np.random.default_rng(seed)
    return {n: float(v) for n, v in zip(names, np.round(rng.uniform(2.9, 3.4, len(names)), 3), strict=True)}


CELL_SHAPES = {
    "several messages of several items each, in one text each": (
        message(256, "CELLS_A", *cells("C", ["1", "2", "3", "4"]))
        + message(257, "CELLS_B", *cells("C", ["5", "6", "7", "8"])),
        'cell_voltage = ["CELLS_A.C{1..4}", "CELLS_B.C{5..8}"]',
        [(m, [f"C{n}" for n in some]) for m, some in (("CELLS_A", range(1, 5)), ("CELLS_B", range(5, 9)))],
    ),
    "the same with the number of the item": (
        message(256, "CELLS_A", *cells("C", ["1", "2", "3", "4"])) + message(257, "CELLS_B", *cells("C", ["5", "6"])),
        'cell_voltage = [{ signal = "CELLS_A.C{n}", n = "1..4" }, { signal = "CELLS_B.C{n}", n = "5,6" }]',
        [("CELLS_A", ["C1", "C2", "C3", "C4"]), ("CELLS_B", ["C5", "C6"])],
    ),
    "the same names in every message": (
        message(256, "CELLS_A", *cells("V", ["1", "2"])) + message(257, "CELLS_B", *cells("V", ["1", "2"])),
        'cell_voltage = "CELLS_{A,B}.V{1..2}"',
        [("CELLS_A", ["V1", "V2"]), ("CELLS_B", ["V1", "V2"])],
    ),
    "counted from nought": (
        message(256, "Cells", *cells("Cell_", ["00", "01", "02", "03"])),
        'cell_voltage = "Cells.Cell_{00..03}"',
        [("Cells", ["Cell_00", "Cell_01", "Cell_02", "Cell_03"])],
    ),
    "letters": (
        message(256, "Cells", *cells("Cell", ["A", "B", "C", "D"])),
        'cell_voltage = "Cells.Cell{A..D}"',
        [("Cells", ["CellA", "CellB", "CellC", "CellD"])],
    ),
    "a list of names": (
        message(256, "Cells", *cells("", ["First", "Second", "Top"])),
        'cell_voltage = ["Cells.First", "Cells.Second", "Cells.Top"]',
        [("Cells", ["First", "Second", "Top"])],
    ),
    "a list with numbers of its own": (
        message(256, "Cells", *cells("", ["First", "Second", "Top"])),
        'cell_voltage = { signal = ["Cells.First", "Cells.Second", "Cells.Top"], n = "1..3" }',
        [("Cells", ["First", "Second", "Top"])],
    ),
    "module and cell": (
        message(256, "Mod1", *cells("M1C", ["1", "2", "3"])) + message(257, "Mod2", *cells("M2C", ["1", "2", "3"])),
        'cell_voltage = ["Mod1.M1C{1..3}", "Mod2.M2C{1..3}"]',
        [("Mod1", ["M1C1", "M1C2", "M1C3"]), ("Mod2", ["M2C1", "M2C2", "M2C3"])],
    ),
    "one wide message of CAN FD": (
        message(256, "Cells", *cells("V", [f"{n:03d}" for n in range(1, 31)]), length=64),
        'cell_voltage = { signal = "Cells.V{n:03d}", n = "1..30" }',
        [("Cells", [f"V{n:03d}" for n in range(1, 31)])],
    ),
}


@pytest.mark.parametrize("shape", CELL_SHAPES)
def test_cells_in_the_usual_shapes(tmp_path: Path, shape: str) -> None:
    dbc, roles, layout = CELL_SHAPES[shape]
    profile = profile_of(tmp_path, roles, HEAD + dbc)
    sent = [Sent(m, volts(at, *names), at) for at in range(5) for m, names in layout]
    signals, decoded = roles_of(profile, sent, tmp_path)
    expected = [
        [d[name] for s, d in zip(sent, decoded, strict=True) if s.message == m] for m, names in layout for name in names
    ]
    assert signals.items("cell_voltage") == list(range(1, len(expected) + 1))
    found = [signals.series("cell_voltage", n).v.tolist() for n in signals.items("cell_voltage")]
    assert found == [pytest.approx(e, abs=1e-12) for e in expected]


def test_a_multiplexed_message_of_the_dbc(tmp_path: Path) -> None:
    dbc = HEAD + message(
        256,
        "Cells",
        "Page M; 0|8@1+; (1,0)",
        *[f"V{n} m{n // 3}; {8 + n % 3 * 16}|16@1+; (0.001,0); V" for n in range(6)],
    )
    profile = profile_of(tmp_path, 'cell_voltage = "Cells.V{0..5}"', dbc)
    sent = [
        Sent("Cells", {"Page": at % 2, **volts(at, *[f"V{3 * (at % 2) + k}" for k in range(3)])}, at) for at in range(6)
    ]
    signals, decoded = roles_of(profile, sent, tmp_path)
    for n in range(6):
        assert signals.series("cell_voltage", n + 1).v.tolist() == pytest.approx(
            [d[f"V{n}"] for d in decoded if f"V{n}" in d]
        )


@pytest.mark.parametrize("first", [0, 1])
def test_a_number_in_the_message_says_which_cell_it_is(tmp_path: Path, first: int) -> None:
    dbc = HEAD + message(256, "Cell", "No; 0|8@1+; (1,0)", "Volt; 8|16@1+; (0.1,0); mV")
    profile = profile_of(
        tmp_path, f'cell_voltage = {{ signal = "Cell.Volt", index = "No", index_values = "{first}..{first + 3}" }}', dbc
    )
    sent = [Sent("Cell", {"No": first + at % 4, "Volt": 3000.0 + at}, at) for at in range(12)]
    signals, decoded = roles_of(profile, sent, tmp_path)
    for n in range(4):
        own = signals.series("cell_voltage", n + 1)
        assert own.v.tolist() == pytest.approx([d["Volt"] / 1000 for d in decoded if d["No"] == first + n])
        assert own.t.tolist() == [T0 + at * STEP_US for at in range(n, 12, 4)]


def test_module_numbers_in_the_message_and_cells_in_names(tmp_path: Path) -> None:
    dbc = HEAD + message(256, "Mod", "No; 0|8@1+; (1,0)", "VA; 8|16@1+; (0.001,0); V", "VB; 24|16@1+; (0.001,0); V")
    profile = profile_of(
        tmp_path, 'cell_voltage = { signal = "Mod.V{A..B}", index = "Mod.No", index_values = "0..2" }', dbc
    )
    sent = [Sent("Mod", {"No": at % 3, **volts(at, "VA", "VB")}, at) for at in range(6)]
    signals, decoded = roles_of(profile, sent, tmp_path)
    for n in range(6):
        expected = [d["V" + "AB"[n % 2]] for d in decoded if d["No"] == n // 2]
        assert signals.series("cell_voltage", n + 1).v.tolist() == pytest.approx(expected)


def test_cells_packed_into_one_wide_signal(tmp_path: Path) -> None:
    dbc = HEAD + message(256, "Cells", "Block; 0|64@1+; (1,0)")
    profile = profile_of(tmp_path, 'cell_voltage = { signal = "Cells.Block", bits = 16, n = "1..4", unit = "mV" }', dbc)
    words = [[3000 + 10 * at + n for n in range(4)] for at in range(3)]
    sent = [Sent("Cells", {"Block": sum(v << 16 * k for k, v in enumerate(w))}, at) for at, w in enumerate(words)]
    signals, _ = roles_of(profile, sent, tmp_path)
    for n in range(4):
        assert signals.series("cell_voltage", n + 1).v.tolist() == pytest.approx([w[n] / 1000 for w in words])


DRIVE = (
    HEAD
    + message(
        300,
        "Drv",
        "Torque; 0|16@1-; (0.1,0); Nm",
        "Pct; 16|8@1-; (1,0); %",
        "Word; 24|16@1+; (1,0)",
        "Gear; 40|8@1+; (1,0)",
        sender="INV",
    )
    + 'VAL_ 300 Gear 0 "Park" 1 "Reverse" 2 "Ahead" ;\n'
)


def test_one_signed_signal_is_two_roles(tmp_path: Path) -> None:
    profile = profile_of(
        tmp_path, 'throttle = { value = "max(Drv.Pct, 0)" }\nbrake_demand = { value = "max(-Drv.Pct, 0)" }', DRIVE
    )
    signals, decoded = roles_of(
        profile,
        [Sent("Drv", {"Torque": 0, "Pct": p, "Word": 0, "Gear": 0}, i) for i, p in enumerate((-80, 0, 35))],
        tmp_path,
    )
    pct = [float(d["Pct"]) for d in decoded]
    assert signals.series("throttle").v.tolist() == [max(p, 0.0) for p in pct]
    assert signals.series("brake_demand").v.tolist() == [max(-p, 0.0) for p in pct]


def test_a_torque_stands_in_for_a_current_by_the_motor_s_constant(tmp_path: Path) -> None:
    profile = profile_of(tmp_path, 'motor_current = "Drv.Torque"', DRIVE, more="[drive]\ntorque_nm_per_a = 0.08")
    signals, decoded = roles_of(
        profile,
        [Sent("Drv", {"Torque": q, "Pct": 0, "Word": 0, "Gear": 0}, i) for i, q in enumerate((-4.0, 0.0, 9.6))],
        tmp_path,
    )
    assert signals.series("motor_current", "only").v.tolist() == pytest.approx([d["Torque"] / 0.08 for d in decoded])
    with pytest.raises(Exception, match=r"torque_nm_per_a, which is not given"):
        profile_of(tmp_path / "without", 'motor_current = "Drv.Torque"', DRIVE)


def test_bits_of_a_word_and_words_of_a_value_table(tmp_path: Path) -> None:
    roles = (
        'trigger = { value = "bit(Drv.Word, 9)" }\n'
        'derate = { value = "bits(Drv.Word, 0, 4) * 10", unit = "%" }\n'
        'link_quality = { value = "if_else(Drv.Gear == \\"Ahead\\" and Drv.Pct > 10, 100, 0)", unit = "%" }\n'
        'regen_state = { signal = "Drv.Gear", states = { Park = "idle", Reverse = "fault", ahead = "active" } }'
    )
    profile = profile_of(tmp_path, roles, DRIVE)
    rows = [(0x0203, 0, 20), (0x0007, 1, 20), (0xFDFF, 2, 5), (0x0200, 2, 11)]
    sent = [Sent("Drv", {"Torque": 0, "Pct": p, "Word": w, "Gear": g}, i) for i, (w, g, p) in enumerate(rows)]
    signals, decoded = roles_of(profile, sent, tmp_path)
    words, gears = [int(d["Word"]) for d in decoded], [int(d["Gear"]) for d in decoded]
    assert signals.series("trigger").v.tolist() == [float(w >> 9 & 1) for w in words]
    expected = [float((w & 15) * 10) for w in words]
    assert np.nan_to_num(signals.series("derate").v, nan=-1).tolist() == [e if e <= 100 else -1 for e in expected]
    assert signals.series("link_quality").v.tolist() == [0.0, 0.0, 0.0, 100.0]
    assert signals.series("regen_state").v.tolist() == [{0: 0.0, 1: 4.0, 2: 1.0}[g] for g in gears]


def test_sums_over_two_messages_take_the_newest_of_the_other(tmp_path: Path) -> None:
    dbc = HEAD + "".join(message(300 + i, f"Pack{i}", "Amps; 0|16@1-; (0.1,0); A") for i in (1, 2))
    profile = profile_of(tmp_path, 'pack_current = { value = "Pack1.Amps + Pack2.Amps" }', dbc)
    sent = [Sent("Pack2", {"Amps": 5.0}, 0), Sent("Pack1", {"Amps": 7.5}, 1), Sent("Pack1", {"Amps": 8.0}, 2)]
    sent += [Sent("Pack2", {"Amps": -1.0}, 3), Sent("Pack1", {"Amps": 9.0}, 3), Sent("Pack1", {"Amps": 9.0}, 60)]
    signals, decoded = roles_of(profile, sent, tmp_path)
    a = [d["Amps"] for d in decoded]
    own = signals.series("pack_current")
    assert own.v.tolist() == pytest.approx([a[1] + a[0], a[2] + a[0], a[4] + a[3]])  # the last is too old to count
    assert own.t.tolist() == [T0 + at * STEP_US for at in (1, 2, 3)]


def test_a_power_stands_in_for_a_current(tmp_path: Path) -> None:
    dbc = HEAD + message(300, "Pack", "Power; 0|16@1-; (0.01,0); kW", "Volt; 16|16@1+; (100,0); mV")
    profile = profile_of(tmp_path, 'pack_voltage = "Pack.Volt"\npack_current = "Pack.Power"', dbc)
    sent = [
        Sent("Pack", {"Power": p, "Volt": u}, i) for i, (p, u) in enumerate(((1.2, 48000), (-0.5, 50000), (0.1, 0)))
    ]
    signals, decoded = roles_of(profile, sent, tmp_path)
    found = signals.series("pack_current").v
    assert found[:2].tolist() == pytest.approx([1000 * d["Power"] / (d["Volt"] / 1000) for d in decoded[:2]])
    assert np.isnan(found[2])  # a division by nought is no current


@pytest.mark.parametrize("more", ["", ', voltage = "Pack.Raw"'])
def test_the_voltage_beside_a_power_has_the_unit_of_its_own_role(tmp_path: Path, more: str) -> None:
    dbc = HEAD + message(300, "Pack", "Power; 0|16@1-; (1,0)", "Raw; 16|16@1+; (1,0)")
    roles = (
        'pack_voltage = { signal = "Pack.Raw", unit = "mV" }\npack_current = { signal = "Pack.Power", unit = "W"%s }'
    )
    profile = profile_of(tmp_path, roles % more, dbc)
    signals, decoded = roles_of(profile, [Sent("Pack", {"Power": 960, "Raw": 48000})], tmp_path)
    assert signals.series("pack_current").v.tolist() == pytest.approx([1000 * decoded[0]["Power"] / decoded[0]["Raw"]])


def test_what_is_not_available_makes_a_formula_not_available(tmp_path: Path) -> None:
    dbc = HEAD + message(300, "Pack", "A; 0|8@1+; (1,0); A", "B; 8|8@1+; (1,0); A")
    profile = profile_of(tmp_path, 'pack_current = { value = "Pack.A - Pack.B", not_available = [255] }', dbc)
    signals, _ = roles_of(
        profile, [Sent("Pack", {"A": a, "B": b}, i) for i, (a, b) in enumerate(((7, 2), (255, 2), (7, 255)))], tmp_path
    )
    found = signals.series("pack_current").v
    assert found[0] == 5.0
    assert np.isnan(found[1:]).all()


J1939 = (
    HEAD
    + message(0x98F00100 & 0x9FFFFFFF, "Status", "Temp; 0|8@1+; (1,-40); degC", "Speed; 8|16@1+; (0.125,0); rpm")
    + (
        'BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG";\n'
        'BA_DEF_ "ProtocolType" STRING ;\n'
        'BA_DEF_DEF_ "VFrameFormat" "J1939PG";\nBA_DEF_DEF_ "ProtocolType" "J1939";\nBA_ "ProtocolType" "J1939";\n'
    )
)


def test_the_source_address_tells_equal_controllers_apart(tmp_path: Path) -> None:
    side = '{ signal = "Status.Speed", source = 0x%x }'
    roles = f"motor_speed = {{ left = {side % 0x21}, right = {side % 0x22} }}"
    profile = profile_of(tmp_path, roles, J1939)
    assert profile.network().messages[0].j1939
    sent = [Sent("Status", {"Temp": 20, "Speed": 100.0 * at}, at, source=0x21 + at % 2) for at in range(6)]
    signals, decoded = roles_of(profile, sent, tmp_path)
    for side, k in (("left", 0), ("right", 1)):
        assert signals.series("motor_speed", side).v.tolist() == [d["Speed"] for d in decoded[k::2]]


def test_equal_controllers_on_two_buses_are_told_apart_by_the_channel(tmp_path: Path) -> None:
    one = HEAD + message(300, "Drv", "Speed; 0|16@1-; (1,0); rpm")
    side = '{ signal = "Drv.Speed", channel = "%s" }'
    roles = f"motor_speed = {{ left = {side % 'can0'}, right = {side % 'can1'} }}"
    profile = profile_of(tmp_path, roles, ("can0", one), ("can1", one))
    sent = [Sent("Drv", {"Speed": 10 * at}, at, channel=f"can{at % 2}") for at in range(6)]
    signals, decoded = roles_of(profile, sent, tmp_path)
    for side, k in (("left", 0), ("right", 1)):
        assert signals.series("motor_speed", side).v.tolist() == [float(d["Speed"]) for d in decoded[k::2]]


def test_messages_of_one_name_are_told_apart_by_their_sender(tmp_path: Path) -> None:
    left = HEAD + message(300, "Drv", "Speed; 0|16@1-; (1,0); rpm", sender="INV")
    right = HEAD + message(301, "Drv", "Gap; 0|8@1+; (1,0)", "Speed; 8|16@1-; (0.5,0); rpm", sender="BMS")
    side = '{ signal = "Drv.Speed", sender = "%s" }'
    roles = f"motor_speed = {{ left = {side % 'INV'}, right = {side % 'BMS'} }}"
    profile = profile_of(tmp_path, roles, ("can0", left), ("can1", right))
    sent = [Sent("Drv", {"Speed": 8}, 0), Sent("Drv", {"Gap": 0, "Speed": 12.5}, 1, channel="can1")]
    signals, decoded = roles_of(profile, sent, tmp_path)
    assert signals.series("motor_speed", "left").v.tolist() == [float(decoded[0]["Speed"])]
    assert signals.series("motor_speed", "right").v.tolist() == [decoded[1]["Speed"]]


def test_one_motor_and_four_motors(tmp_path: Path) -> None:
    dbc = HEAD + "".join(message(300 + i, f"INV{i}", "Temp; 0|8@1+; (1,-40); degC") for i in range(1, 5))
    one = profile_of(tmp_path / "one", 'motor_temp = "INV1.Temp"', dbc)
    four = profile_of(tmp_path / "four", 'motor_temp = { signal = "INV{n}.Temp", n = "1..4" }', dbc)
    sent = [Sent(f"INV{i}", {"Temp": 20 + i}, i) for i in range(1, 5)]
    signals, decoded = roles_of(one, sent, tmp_path / "one")
    assert signals.items("motor_temp") == ["only"]
    assert signals.series("motor_temp", "only").v.tolist() == [float(decoded[0]["Temp"])]
    signals, decoded = roles_of(four, sent, tmp_path / "four")
    assert [signals.series("motor_temp", n).v.tolist() for n in ("first", "second", "third", "fourth")] == [
        [float(d["Temp"])] for d in decoded
    ]


FLAGS = (
    HEAD
    + message(300, "Err", *[f"{n}; {i}|1@1+; (1,0)" for i, n in enumerate(("OverVolt", "UnderVolt", "TooHot"))])
    + (
        message(301, "Word", "Bits; 0|16@1+; (1,0)", "Listed; 16|8@1+; (1,0)")
        + 'CM_ SG_ 300 TooHot "A cell is too hot.";\n'
        + 'VAL_ 301 Bits 1 "over_voltage" 4 "contactor welded" 0 "none" 8 "fan" ;\n'
        + 'CM_ SG_ 301 Listed "bit 0: precharge failed; bit 2 = isolation";\n'
    )
)


def test_fault_bits_have_the_names_of_the_dbc(tmp_path: Path) -> None:
    roles = (
        'bms_fault = { flags = ["Err.{OverVolt,UnderVolt}", "Err.TooHot"] }\ncontroller_fault = "Word.Bits"\n'
        'motor_fault = { signal = "Word.Listed", names = { 2 = "insulation" } }'
    )
    profile = profile_of(tmp_path, roles, FLAGS)
    named = {m.role: dict(m.bit_names) for m in profile.roles}
    assert named["bms_fault"] == {0: "over volt", 1: "under volt", 2: "A cell is too hot"}
    assert named["controller_fault"] == {0: "over voltage", 2: "contactor welded", 3: "fan"}
    assert named["motor_fault"] == {0: "precharge failed", 2: "insulation"}
    sent = [
        Sent("Err", {"OverVolt": a, "UnderVolt": b, "TooHot": c}, i)
        for i, (a, b, c) in enumerate(((0, 0, 0), (1, 0, 1), (0, 1, 0)))
    ]
    signals, decoded = roles_of(profile, sent, tmp_path)
    assert signals.series("bms_fault").v.tolist() == [
        float(d["OverVolt"] + 2 * d["UnderVolt"] + 4 * d["TooHot"]) for d in decoded
    ]
