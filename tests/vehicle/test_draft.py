"""A profile drafted from DBC files: what is certain is right, what is not is commented out, and all of it loads."""

from __future__ import annotations

import logging
import tomllib
from pathlib import Path

import pytest
from typer.testing import CliRunner

from herdbook.decoders import Network, NetworkError
from herdbook.pipeline.cli import build
from herdbook.pipeline.vehicle.draft.concepts import concepts, words
from herdbook.pipeline.vehicle.draft.guess import CERTAIN, guesses
from herdbook.pipeline.vehicle.draft.write import draft
from herdbook.pipeline.vehicle.profile import load_profile
from tests.external.fetch import folder_of

ROOT = Path(__file__).parents[2]
Truth = dict[str, list[tuple[str, str]]]


def truth_of(path: Path) -> Truth:
    found: Truth = {}
    for m in load_profile(path).roles:
        found.setdefault(m.role, []).append((m.message, m.signal))
    return found


def counted(network: Network, truth: Truth) -> tuple[int, int, int]:
    """Roles right and certain, right but commented out, and wrong although certain."""
    found = {g.role: g for g in guesses(network.messages)}
    right = [r for r, g in found.items() if truth.get(r) == list(g.family.members)]
    sure = [r for r, g in found.items() if g.certain]
    return len({*right} & {*sure}), len({*right} - {*sure}), len({*sure} - {*right})


@pytest.mark.parametrize(("name", "dbcs", "least"), [("zirbel", 1, 40), ("saumer", 2, 24)])
def test_the_demos_own_files(name: str, dbcs: int, least: int) -> None:
    truth = truth_of(ROOT / "dbc_demo" / f"{name}.toml")
    files = sorted((ROOT / "dbc_demo").glob(f"{name}*.dbc"))
    assert len(files) == dbcs
    right, _, wrong = counted(Network.load(files), truth)
    assert right >= least
    assert wrong == 0


def dbc(*messages: tuple[str, list[str]]) -> str:
    """A DBC text; a signal is "Name unit high" of 16 bits each, at 0.001 a count, one message a cycle."""
    lines = ['VERSION ""', "BU_: ECU"]
    for number, (message, signals) in enumerate(messages, start=0x100):
        lines.append(f"BO_ {number} {message}: {min(64, 2 * len(signals))} ECU")
        for place, said in enumerate(signals):
            name, unit, high, *bits = said.split("|")
            length = int(bits[0]) if bits else 16
            factor = 1 if not unit else float(high) / 60000
            lines.append(f' SG_ {name} : {16 * place}|{length}@1+ ({factor:g},0) [0|{high}] "{unit}" ECU')
    return "\n".join(lines) + "\n"


LAYOUTS: dict[str, tuple[str, Truth]] = {
    "cells over two messages": (
        dbc(
            ("CELLS_A", [f"CellVolt_{k}|V|5" for k in range(1, 5)]),
            ("CELLS_B", [f"CellVolt_{k}|V|5" for k in range(5, 9)]),
            ("BATT_STAT", ["BattVolt|V|60", "BattCurr|A|200", "BattSOC|%|100"]),
        ),
        {
            "cell_voltage": [("CELLS_A" if k < 5 else "CELLS_B", f"CellVolt_{k}") for k in range(1, 9)],
            "pack_voltage": [("BATT_STAT", "BattVolt")],
            "pack_current": [("BATT_STAT", "BattCurr")],
            "pack_soc": [("BATT_STAT", "BattSOC")],
        },
    ),
    "counted from zero, in millivolts": (
        dbc(
            ("BMS_CellVoltages", [f"cell_{k}_mv|mV|5000" for k in range(12)]),
            ("BMS_Temps", [f"temp_sensor_{k}|degC|120" for k in range(4)]),
            ("BMS_Summary", ["pack_voltage|mV|60000", "pack_current|A|300", "min_cell_mv|mV|5000"]),
        ),
        {
            "cell_voltage": [("BMS_CellVoltages", f"cell_{k}_mv") for k in range(12)],
            "cell_temp": [("BMS_Temps", f"temp_sensor_{k}") for k in range(4)],
            "pack_voltage": [("BMS_Summary", "pack_voltage")],
            "pack_current": [("BMS_Summary", "pack_current")],
        },
    ),
    "lettered cells, one motor": (
        dbc(
            ("HVB_Cells", [f"Cell{c}|V|5" for c in "ABCDEFGH"]),
            (
                "MotorStatus",
                ["MotorSpeed|rpm|9000", "MotorTemp|degC|180", "InverterTemp|degC|150", "MotorTorque|Nm|60"],
            ),
            ("VCU_Motion", ["VehicleSpeed|km/h|90", "Odometer|km|65000"]),
        ),
        {
            "cell_voltage": [("HVB_Cells", f"Cell{c}") for c in "ABCDEFGH"],
            "motor_speed": [("MotorStatus", "MotorSpeed")],
            "motor_temp": [("MotorStatus", "MotorTemp")],
            "fet_temp": [("MotorStatus", "InverterTemp")],
            "motor_current": [("MotorStatus", "MotorTorque")],
            "vehicle_speed": [("VCU_Motion", "VehicleSpeed")],
            "odometer": [("VCU_Motion", "Odometer")],
        },
    ),
    "modules and cells, two numbered motors": (
        dbc(
            *[(f"Mod{m}", [f"M{m}Cell{k}_V|V|5" for k in range(1, 5)]) for m in range(1, 4)],
            ("Drive1", ["Motor1_RPM|rpm|9000", "Motor1_Iq|A|200"]),
            ("Drive2", ["Motor2_RPM|rpm|9000", "Motor2_Iq|A|200"]),
            ("OBC", ["ChargerVoltage|V|80", "ChargerCurrent|A|40"]),
        ),
        {
            "cell_voltage": [(f"Mod{m}", f"M{m}Cell{k}_V") for m in range(1, 4) for k in range(1, 5)],
            "motor_speed": [(f"Drive{k}", f"Motor{k}_RPM") for k in (1, 2)],
            "motor_current": [(f"Drive{k}", f"Motor{k}_Iq") for k in (1, 2)],
            "charger_voltage": [("OBC", "ChargerVoltage")],
            "charger_current": [("OBC", "ChargerCurrent")],
        },
    ),
    "without units": (
        dbc(
            ("BMS1", ["PackVolt||60000", "PackAmps||30000", "SOC||100"]), ("CTL", ["Throttle||255", "BrakeLever||255"])
        ),
        {
            "pack_voltage": [("BMS1", "PackVolt")],
            "pack_current": [("BMS1", "PackAmps")],
            "pack_soc": [("BMS1", "SOC")],
            "throttle": [("CTL", "Throttle")],
            "brake_demand": [("CTL", "BrakeLever")],
        },
    ),
}


@pytest.mark.parametrize("layout", LAYOUTS)
def test_common_layouts(layout: str, tmp_path: Path) -> None:
    """Nothing certain is wrong, and what is certain is most of it, but where no unit says what a number is."""
    text, truth = LAYOUTS[layout]
    (tmp_path / "a.dbc").write_text(text)
    network = Network.load([tmp_path / "a.dbc"])
    right, commented, wrong = counted(network, truth)
    assert wrong == 0
    assert right + commented >= 0.8 * len(truth)
    assert right >= (0.8 * len(truth) if layout != "without units" else 0)
    assert (right == 0) == (layout == "without units")
    (tmp_path / "p.toml").write_text(draft(network.messages, ["a.dbc"], "p"), "utf-8")
    loaded = load_profile(tmp_path / "p.toml")
    sure = {g.role for g in guesses(network.messages) if g.certain}
    assert {m.role for m in loaded.roles} == sure
    for role in sure & {"cell_voltage", "cell_temp"}:
        assert [(m.message, m.signal) for m in loaded.roles if m.role == role] == truth[role]


def test_every_file_of_the_public_archive_gives_a_draft_that_loads(tmp_path: Path) -> None:
    """Files that nobody wrote for us. No guess that is certain is wrong, as far as a reader of the files can tell."""
    root = folder_of("cantools")
    folder = root / "cantools-45.1.0" / "tests" / "files" / "dbc" if root else None
    files = sorted(p for p in folder.iterdir() if p.suffix.lower() == ".dbc") if folder else []
    if not files:
        pytest.skip("cantools' archive is absent: run `make sources` first")
    logging.getLogger("cantools").setLevel(logging.CRITICAL)
    seen, certain = 0, []
    for path in files:
        try:
            network = Network.load([path], lenient=True)
        except NetworkError:
            continue
        seen += 1
        text = draft(network.messages, ["a.dbc"], path.stem, bool(network.notes))
        tomllib.loads(text)
        certain += [(path.stem, g.role, g.family.members) for g in guesses(network.messages) if g.certain]
    assert seen > 80
    assert certain == []  # these name no vehicle of this kind with units; nothing may be claimed of them


def test_hostile_names_stay_text(tmp_path: Path) -> None:
    text = dbc(("BMS_Pack", ["PackVoltage|V|60"])) + 'CM_ SG_ 256 PackVoltage "pack\\" ]\n[roles]\nx = 1";\n'
    (tmp_path / "a.dbc").write_text(text)
    network = Network.load([tmp_path / "a.dbc"])
    found = tomllib.loads(draft(network.messages, ['a"b\n.dbc'], "p [x]\n"))
    assert set(found["roles"]) == {"pack_voltage"}
    assert found["name"] == "p-x"


def test_the_command_writes_a_profile_and_never_over_one(tmp_path: Path) -> None:
    (tmp_path / "zirbel.dbc").write_bytes((ROOT / "dbc_demo" / "zirbel.dbc").read_bytes())
    asked = ["profile", "draft", str(tmp_path / "zirbel.dbc"), "--out", str(tmp_path / "mine.toml")]
    said = CliRunner().invoke(build(), asked)
    assert said.exit_code == 0, said.output
    assert "herdbook profile check" in said.output
    loaded = load_profile(tmp_path / "mine.toml")
    assert len({m.role for m in loaded.roles}) >= 40
    assert loaded.name == "mine"
    again = CliRunner().invoke(build(), asked)
    assert again.exit_code != 0


def test_names_are_parted_into_words() -> None:
    assert words("BMS_PackVoltage01") == ("bms", "pack", "voltage", "01")
    assert words("packvoltage") == ("pack", "voltage")
    assert {"cell", "voltage"} <= concepts("CellVolt_3")
    assert CERTAIN == 0.8


def test_what_plays_no_role_is_listed_to_be_looked_through(tmp_path: Path) -> None:
    odd = (
        'BO_ 5 X_Misc: 8 X\n SG_ SoC : 0|8@1+ (0.5,0) [0|100] "%" X\n SG_ Blub : 8|8@1+ (1,0) [0|0] "lx" X\n'
        + "".join(f' SG_ Q{c} : {16 + 2 * k}|2@1+ (1,0) [0|0] "" X\n' for k, c in enumerate("abcdefghijklmnopqrstuv"))
    )
    (tmp_path / "odd.dbc").write_text(f'VERSION ""\n\nBU_: X\n\n{odd}', "ascii")
    made = draft(Network.load(tmp_path / "odd.dbc").messages, ["odd.dbc"], "odd")
    assert 'pack_soc = "X_Misc.SoC"' in made
    (line,) = made.split("# Signals that play no role yet\n")[1].split("\n\n# To do")[0].splitlines()
    assert line.startswith("# - X_Misc: Blub [lx], Qa, Qb, ")
    assert line.endswith(", and 7 more")


FAULTS = """VERSION ""
BU_: ECU
BO_ 256 BMS_Faults: 2 ECU
 SG_ OverVoltage : 0|1@1+ (1,0) [0|1] "" ECU
 SG_ UnderVoltage : 1|1@1+ (1,0) [0|1] "" ECU
 SG_ CellTooHot : 2|1@1+ (1,0) [0|1] "" ECU
 SG_ Counter : 8|4@1+ (1,0) [0|15] "" ECU
BO_ 257 MCU_Status: 4 ECU
 SG_ MCU_ErrOverCurrent : 0|1@1+ (1,0) [0|1] "" ECU
 SG_ MCU_ErrHall : 1|1@1+ (1,0) [0|1] "" ECU
 SG_ MCU_Enabled : 2|1@1+ (1,0) [0|1] "" ECU
CM_ SG_ 256 CellTooHot "a cell is over its limit";
"""


def test_single_bits_of_a_fault_message_become_one_word_with_names(tmp_path: Path) -> None:
    (tmp_path / "a.dbc").write_text(FAULTS)
    text = draft(Network.load([tmp_path / "a.dbc"]).messages, ["a.dbc"], "p")
    (tmp_path / "p.toml").write_text(text, "utf-8")
    profile = load_profile(tmp_path / "p.toml")
    names = [profile.fault_name("bms_fault", "", bit) for bit in range(3)]
    assert names == ["bit 0 (over voltage)", "bit 1 (under voltage)", "bit 2 (a cell is over its limit)"]
    [unsure] = [line for line in text.splitlines() if line.startswith("# controller_fault = ")]
    assert '["MCU_Status.MCU_ErrOverCurrent", "MCU_Status.MCU_ErrHall"]' in unsure
    assert "MCU_Enabled" not in unsure
    assert "Counter" not in text.split("# To do")[0].split("bms_fault")[1].split("\n")[0]


def test_a_fault_signal_whose_words_are_numbers_is_drafted_as_codes(tmp_path: Path) -> None:
    text = dbc(("BMS_Err", ["PackError||255|8"])) + 'VAL_ 256 PackError 0 "no error" 3 "over voltage" 5 "fan" ;\n'
    (tmp_path / "a.dbc").write_text(text)
    made = draft(Network.load([tmp_path / "a.dbc"]).messages, ["a.dbc"], "p")
    (tmp_path / "p.toml").write_text(made, "utf-8")
    assert load_profile(tmp_path / "p.toml").fault_name("bms_fault", "", 1) == "code 5 (fan)"


def test_short_forms_of_limits_faults_and_a_trigger_that_is_pressed_by_degrees(tmp_path: Path) -> None:
    """As a stranger's DBC had them: none was proposed, and the fault word as a temperature."""
    text = dbc(
        ("BAT_Lim", ["MaxDisch|A|400", "MaxRegen|A|200"]),
        ("INV_Stat", ["INV_Fault||255|8", "FetT|degC|150"]),
        ("HMI_Cmd", ["HMI_Trigger|%|100", "HMI_Enable||1|1"]),
    )
    (tmp_path / "a.dbc").write_text(text)
    messages = Network.load([tmp_path / "a.dbc"]).messages
    found = {g.role: g for g in guesses(messages)}
    told = {role: [signal for _, signal in g.family.members] for role, g in found.items()}
    assert told["discharge_limit"] == ["MaxDisch"]
    assert told["controller_fault"] == ["INV_Fault"]
    assert told["throttle"] == ["HMI_Trigger"]
    assert "INV_Fault" not in draft(messages, ["a.dbc"], "a").split("fet_temp")[1].splitlines()[0]


@pytest.mark.parametrize(
    ("front", "rear", "certain"), [("F_", "R_", False), ("Front", "Rear", True), ("Vorn_", "Hinten_", True)]
)
def test_twins_are_two_motors_and_letters_are_asked_about(tmp_path: Path, front: str, rear: str, certain: bool) -> None:
    """F_IQ was taken for the only motor at 97 %, and R_IQ left out."""
    path = tmp_path / "twin.dbc"
    path.write_text(
        'VERSION ""\nBS_:\nBU_: M\nBO_ 257 DRV: 8 M\n'
        f' SG_ {front}IQ : 0|16@1- (0.1,0) [-200|200] "A" M\n SG_ {rear}IQ : 16|16@1- (0.1,0) [-200|200] "A" M\n'
    )
    network = Network.load([path])
    [guess] = [g for g in guesses(network.messages) if g.role == "motor_current"]
    assert guess.family.members == (("DRV", f"{front}IQ"), ("DRV", f"{rear}IQ"))
    assert guess.family.sides == ("front", "rear")
    assert guess.certain is certain


def test_a_comment_nearly_in_our_words_and_a_unit_make_a_short_name_certain(tmp_path: Path) -> None:
    """A maker's own short forms say nothing; what has no unit, a limit and half of twins stay open."""
    text = dbc(("BX_1", ["Zq1|km/h|60", "Zq2||255", "Zq3|A|300", "Zq4|V|80"]), ("F_DX", ["F_TQX|degC|200"])) + (
        'CM_ SG_ 256 Zq1 "Speed of the trike over ground";\nCM_ SG_ 256 Zq2 "Travel of the brake lever";\n'
        'CM_ SG_ 256 Zq3 "Highest current of the pack permitted";\nCM_ SG_ 256 Zq4 "Voltage of the whole pack";\n'
        'CM_ SG_ 257 F_TQX "Winding temperature of the motor";\n'
    )
    (tmp_path / "a.dbc").write_text(text)
    sure = {g.role: g.family.members for g in guesses(Network.load([tmp_path / "a.dbc"]).messages) if g.certain}
    assert sure == {"vehicle_speed": (("BX_1", "Zq1"),), "pack_voltage": (("BX_1", "Zq4"),)}


SHORTENED = """VERSION ""
BS_:
BU_: VCU BMU MCF CHG
BO_ 272 BMU_Stat1: 8 BMU
 SG_ Ib_Pk : 0|16@1- (0.02,0) [-400|400] "A" VCU
 SG_ Alv : 16|4@1+ (1,0) [0|15] "" VCU
 SG_ Flt_Cd : 24|8@1+ (1,0) [0|255] "" VCU
BO_ 276 BMU_Tmp: 8 BMU
 SG_ Bal_Act : 0|12@1+ (1,0) [0|4095] "" VCU
 SG_ I_ChgMx : 12|12@1+ (0.1,0) [0|400] "A" VCU
 SG_ I_DisMx : 24|12@1+ (0.1,0) [0|400] "A" VCU
BO_ 529 VCU_Rgn: 6 VCU
 SG_ I_RgnRq : 0|16@1+ (0.05,0) [0|200] "A" MCF
 SG_ I_RgnAc : 16|16@1+ (0.05,0) [0|200] "A" MCF
 SG_ I_RgnMx : 32|16@1+ (0.05,0) [0|200] "A" MCF
BO_ 784 MCF_Fb: 4 MCF
 SG_ F_IQ_Rq : 0|16@1- (0.05,0) [-300|300] "A" VCU
BO_ 1040 CHG_St: 2 CHG
 SG_ Ch_I : 0|16@1+ (0.02,0) [0|100] "A" BMU
CM_ SG_ 272 Ib_Pk "Battery current, positive when charging";
CM_ SG_ 272 Alv "Alive counter, counts up each frame";
CM_ SG_ 272 Flt_Cd "Fault code: 0 none, else see the service manual";
CM_ SG_ 276 Bal_Act "Balancing resistor on, one bit a group";
CM_ SG_ 276 I_ChgMx "Most charge current the battery takes now";
CM_ SG_ 529 I_RgnAc "Regeneration given, at the battery";
CM_ SG_ 784 F_IQ_Rq "Torque current asked of the front motor";
"""


def test_short_names_are_told_by_their_comments_and_none_is_certain_and_wrong(tmp_path: Path) -> None:
    """A cargo trike as a stranger wrote it. It once gave the regeneration for the pack current, at 85 %, and the
    charge limit for the charger's, at 91 %."""
    (tmp_path / "trike.dbc").write_text(SHORTENED, "ascii")
    messages = Network.load([tmp_path / "trike.dbc"]).messages
    found = {g.role: g.family.members[0][1] for g in guesses(messages) if g.certain}
    assert found == {
        "pack_current": "Ib_Pk",
        "charge_limit": "I_ChgMx",
        "discharge_limit": "I_DisMx",
        "regen_demand": "I_RgnRq",
        "regen_current": "I_RgnAc",
        "regen_allowed": "I_RgnMx",
        "charger_current": "Ch_I",
    }
    text = draft(messages, ["trike.dbc"], "trike")
    assert 'pack_current = { signal = "BMU_Stat1.Ib_Pk", scale = -1 }' in text
    assert "# bms_fault" in text  # a code is no word of bits: to be looked at
    assert "# - cell_bleed: perhaps the bits of BMU_Tmp.Bal_Act" in text  # it was a temperature
    guessed = {m[1] for g in guesses(messages) for m in g.family.members}
    assert not {"Alv", "Bal_Act", "F_IQ_Rq"} & guessed


TERSE = """VERSION ""
BU_: BMS
BO_ 256 BAT_1: 8 BMS
 SG_ U : 0|16@1+ (0.02,0) [0|100] "V" BMS
 SG_ RLY : 16|2@1+ (1,0) [0|3] "" BMS
 SG_ ILIM_CHG : 24|12@1+ (0.1,0) [0|200] "A" BMS
 SG_ PAD : 40|1@1+ (1,0) [0|1] "" BMS
BO_ 257 Antrieb_Links: 4 BMS
 SG_ Drehzahl_Links : 0|16@1- (0.5,0) [-9000|9000] "rpm" BMS
BO_ 258 Antrieb_Rechts: 4 BMS
 SG_ Drehzahl_Rechts : 0|16@1- (0.5,0) [-9000|9000] "rpm" BMS
BO_ 259 Fahrerwunsch: 4 BMS
 SG_ Bremse : 0|8@1+ (0.4,0) [0|100] "%" BMS
 SG_ Drehmoment_Freigabe : 8|8@1+ (0.5,0) [0|100] "%" BMS
CM_ SG_ 256 U "pack voltage";
CM_ SG_ 256 ILIM_CHG "max. charge current";
CM_ SG_ 256 PAD "foot pad pressed, rider on board";
VAL_ 256 RLY 0 "offen" 1 "PRE" 2 "CLS" 3 "Fehler" ;
"""


def test_a_charge_limit_is_no_chargers_current_and_short_and_german_names_are_read(tmp_path: Path) -> None:
    """Met with descriptions of three invented vehicles: the limit was drafted, 91 % sure, as the charger's current."""
    (tmp_path / "a.dbc").write_text(TERSE)
    found = {g.role: g for g in guesses(Network.load([tmp_path / "a.dbc"]).messages)}
    certain = {role: [s for _, s in g.family.members] for role, g in found.items() if g.certain}
    assert certain["charge_limit"] == ["ILIM_CHG"]
    assert "charger_current" not in certain
    assert certain["pack_voltage"] == ["U"]
    assert certain["contactor_state"] == ["RLY"]
    assert certain["motor_speed"] == ["Drehzahl_Links", "Drehzahl_Rechts"]
    assert certain["brake_demand"] == ["Bremse"]
    assert certain["derate"] == ["Drehmoment_Freigabe"]
    assert "bms_temp" not in found  # one bit is no temperature, whatever "board" may mean
    text = draft(Network.load([tmp_path / "a.dbc"]).messages, ["a.dbc"], "a")
    assert 'states = { 0 = "open", 1 = "precharge", 2 = "closed", 3 = "fault" }' in text
