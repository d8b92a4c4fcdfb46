"""Two equal controllers on a J1939 bus: a role that does not say which it means is told in the record of the log."""

from __future__ import annotations

from pathlib import Path

import pytest

import tests.toy.logs as toy
from tests.toy.bench import Bench

DBC = """VERSION ""
NS_ :
BS_:
BU_: INV LOG

BO_ 2566848768 Status: 8 INV
 SG_ Speed : 0|16@1- (1,0) [0|0] "rpm" LOG
 SG_ Serial : 16|16@1+ (1,0) [0|0] "" LOG

BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG";
BA_DEF_DEF_ "VFrameFormat" "J1939PG";
"""


@pytest.mark.parametrize(
    ("speed", "told"),
    [
        (
            'motor_speed = "Status.Speed"',
            ["a role reads this message from all of 0x21, 0x22: name one, as in source = 0x21"],
        ),
        (
            'motor_speed = { left = { signal = "Status.Speed", source = 0x21 }, '
            'right = { signal = "Status.Speed", source = 0x22 } }',
            [],
        ),
    ],
)
def test_senders_that_are_mixed_are_told(tmp_path: Path, speed: str, told: list[str]) -> None:
    profiles = tmp_path / "profiles"
    profiles.mkdir()
    (profiles / "a.dbc").write_text(DBC)
    text = f'[[bus]]\ndbc = "a.dbc"\n[identity]\npath = "(?P<vehicle>AB-\\\\d)"\n[roles]\n{speed}\n'
    (profiles / "a.toml").write_text(text)
    bench = Bench(tmp_path, profiles)
    lines = []
    for k in range(600):
        data = bytes([k % 100, 0, 7, 0, 0, 0, 0, 0]).hex().upper()
        t = toy.T0 + 100_000 * k
        lines.append(f"({t // 1_000_000}.{t % 1_000_000:06d}) can0 18FF01{0x21 + k % 2:02X}#{data}")
    toy.write(bench.inbox / "AB-1.log", lines)
    bench.scan()
    assert bench.reasons() == {}
    assert [d for (d,) in bench.ask("SELECT detail FROM log_faults WHERE kind = 'several senders'")] == told
