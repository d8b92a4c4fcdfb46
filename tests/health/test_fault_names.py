"""Fault bits are told in the maker's words where the bus description has them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from herdbook.pipeline.health.rule import NotAssessed, Record
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.vehicle.profile import Profile
from tests.vehicle.mapped import profile_of

DBC = """VERSION ""
NS_ :
BS_:
BU_: BMS

BO_ 1 Err: 8 BMS
 SG_ Pack : 0|8@1+ (1,0) [0|0] "" BMS
 SG_ Left : 8|8@1+ (1,0) [0|0] "" BMS

CM_ SG_ 1 Pack "bit 3: cell too hot; bit 4: fan";
VAL_ 1 Left 1 "over_current" 4 "hall sensor" 8 "ok again" ;
"""


def said(rule: str, profile: Profile) -> list[str]:
    texts = []
    for record in all_rules()[rule].cases().fires_on:
        own: Record = replace(record, profile=profile)
        found = all_rules()[rule].judge(own, {x.name: x.value for x in all_rules()[rule].limits})
        assert not isinstance(found, NotAssessed)
        texts += [f"{f.item}: {f.statement}" for f in found]
    return texts


def test_bits_of_pack_and_motor_have_names(tmp_path: Path) -> None:
    named = profile_of(tmp_path, 'bms_fault = "Err.Pack"\nmotor_fault = { left = "Err.Left" }', DBC)
    pack = said("bms_fault", named)
    assert all(text.startswith("bit 3: ") and "reported fault bit 3 (cell too hot) " in text for text in pack)
    motor = [text for text in said("controller_faults", named) if text.startswith("left")]
    assert motor
    assert all("(bits 0 (over current), 2 (hall sensor))" in text for text in motor)
