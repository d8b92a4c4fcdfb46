"""A signal that says one number a fault: read as codes with their words, and never as bits without a word."""

from __future__ import annotations

from pathlib import Path

import pytest

from herdbook.pipeline.errors import ProfileError
from tests.health.test_fault_names import said
from tests.vehicle.mapped import Sent, profile_of, roles_of

DBC = """VERSION ""
NS_ :
BS_:
BU_: BMS

BO_ 1 Err: 8 BMS
 SG_ Code : 0|8@1+ (1,0) [0|0] "" BMS
 SG_ Plain : 8|8@1+ (1,0) [0|0] "" BMS

VAL_ 1 Code 0 "No fault" 3 "over voltage" 7 "fan_stuck" 17 "cell too hot" 255 "SNA" ;
"""


def test_each_code_is_one_fault_with_its_word(tmp_path: Path) -> None:
    profile = profile_of(tmp_path, 'bms_fault = { signal = "Err.Code", codes = true }', DBC)
    sent = [Sent("Err", {"Code": c, "Plain": 0}, at=k) for k, c in enumerate((0, 3, 7, 17, 99, 255))]
    signals, _ = roles_of(profile, sent, tmp_path)
    words = [int(v) if v == v else None for v in signals.series("bms_fault").v]
    assert words[0] == 0
    assert words[5] is None  # says itself that it has no value
    named = [profile.fault_name("bms_fault", "", w.bit_length() - 1) for w in words[1:5] if w]
    assert named == ["code 3 (over voltage)", "code 7 (fan stuck)", "code 17 (cell too hot)", "unnamed code"]


def test_a_finding_says_the_code_and_no_bit(tmp_path: Path) -> None:
    names = '{ 1 = "a", 2 = "b", 5 = "c", 9 = "contactor welded" }'
    profile = profile_of(
        tmp_path,
        f'bms_fault = {{ signal = "Err.Plain", codes = {names} }}\n'
        'motor_fault = { left = { signal = "Err.Code", codes = true } }',
        DBC,
    )
    pack = said("bms_fault", profile)
    assert pack
    assert all("reported fault code 9 (contactor welded) " in text and "bit" not in text for text in pack)
    motor = [text for text in said("controller_faults", profile) if text.startswith("left")]
    assert motor
    assert all("code 3 (over voltage), code 17 (cell too hot)" in text and "bits" not in text for text in motor)


def test_codes_read_as_bits_are_told(tmp_path: Path) -> None:
    [doubt] = [d for d in profile_of(tmp_path, 'bms_fault = "Err.Code"', DBC).doubts if "codes" in d.what]
    assert "3 = over voltage" in doubt.what
    assert "codes = true" in doubt.do
    plain = profile_of(tmp_path / "plain", 'bms_fault = "Err.Plain"', DBC)
    assert not any("codes" in d.what for d in plain.doubts)


@pytest.mark.parametrize(
    ("entry", "zero", "bits"),
    [
        ("codes = true", "over voltage", 1),  # the DBC file's word for 0 is that of a fault
        ("codes = true", "standby", 0),
        ("codes = true", "No fault", 0),
        ('codes = { 0 = "standby lost", 3 = "over voltage" }', "standby", 1),  # the profile's own word
        ('codes = { 3 = "over voltage" }', "standby", 0),
    ],
)
def test_nought_is_a_fault_where_the_table_names_it_one(tmp_path: Path, entry: str, zero: str, bits: int) -> None:
    dbc = DBC.replace("No fault", zero)
    profile = profile_of(tmp_path, f'bms_fault = {{ signal = "Err.Code", {entry} }}', dbc)
    signals, _ = roles_of(profile, [Sent("Err", {"Code": 0, "Plain": 0}, at=0)], tmp_path)
    [word] = [int(v) for v in signals.series("bms_fault").v]
    assert word == bits
    if bits:
        assert profile.fault_name("bms_fault", "", 0).startswith("code 0 (")


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        ('{ signal = "Err.Plain", codes = true }', "has none here"),
        ('{ signal = "Err.Code", codes = { hot = "too hot" } }', "neither a number nor a word"),
        ('{ signal = "Err.Code", codes = true, names = { 0 = "x" } }', "go into codes"),
        ('{ signal = "Err.Code", codes = 3 }', "codes is true"),
    ],
)
def test_what_cannot_be_is_refused_in_words(tmp_path: Path, entry: str, words: str) -> None:
    with pytest.raises(ProfileError, match=words):
        profile_of(tmp_path, f"bms_fault = {entry}", DBC)


def test_more_codes_than_a_word_has_bits_are_refused(tmp_path: Path) -> None:
    many = " ".join(f'{n} "fault {n}"' for n in range(1, 41))
    text = DBC[: DBC.index("VAL_")] + f"VAL_ 1 Code {many} ;\n"
    with pytest.raises(ProfileError, match="40 codes are named; 31 can be told apart"):
        profile_of(tmp_path, 'bms_fault = { signal = "Err.Code", codes = true }', text)
    some = profile_of(tmp_path / "some", 'bms_fault = { signal = "Err.Code", codes = { 3 = "x" } }', text)
    assert some.fault_name("bms_fault", "", 0) == "code 3 (x)"
