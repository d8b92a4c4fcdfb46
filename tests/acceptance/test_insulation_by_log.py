"""Insulation recorded on the bus: measured by a plan's step, and kept as a birth figure."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from herdbook.pipeline.bench.acceptance.accept import Acceptance, accept
from herdbook.pipeline.bench.acceptance.plan import read_plan
from herdbook.pipeline.bench.acceptance.verdicts import Verdict
from herdbook.pipeline.cli import build
from tests.acceptance.plans import HEAD, check, step, written

DBC = """VERSION ""
BU_: X
BO_ 256 Pack: 8 X
 SG_ Current : 0|16@1- (0.1,0) [0|0] "A" X
 SG_ Rins : 16|16@1+ (1,0) [0|65535] "kOhm" X
 SG_ MainRelay : 32|2@1+ (1,0) [0|3] "" X
BO_ 257 Wheel: 2 X
 SG_ Speed : 0|16@1+ (0.01,0) [0|0] "km/h" X
VAL_ 256 MainRelay 0 "open" 2 "closed" ;
"""
PROFILE = """name = "cart"
[vehicle]
zone = "Europe/Vienna"
[[bus]]
dbc = "cart.dbc"
[roles]
pack_current = "Pack.Current"
insulation_resistance = "Pack.Rins"
contactor_state = { signal = "Pack.MainRelay", states = { 0 = "open", 2 = "closed" } }
vehicle_speed = "Wheel.Speed"
"""
STATED = {"error": "60", "error_why": '"class of the monitor"'}


def drive(folder: Path, kohm: int) -> Path:
    """Three minutes at 10 km/h with the switch closed, 10 Hz; the monitor's reading moves by 1 kOhm."""
    lines = []
    for n in range(1800):
        t = 1_772_000_000 + n / 10
        pack = (50).to_bytes(2, "little", signed=True) + (kohm + n % 2).to_bytes(2, "little") + bytes([2, 0, 0, 0])
        lines.append(f"({t:.6f}) can0 100#{pack.hex().upper()}")
        lines.append(f"({t + 0.001:.6f}) can0 101#{(1000).to_bytes(2, 'little').hex().upper()}")
    log = folder / "C-1_2026-02-25_ride.log"
    log.write_text("\n".join(lines) + "\n", "ascii")
    (folder / "cart.dbc").write_text(DBC, "utf-8")
    (folder / "cart.toml").write_text(PROFILE, "utf-8")
    return log


def held(folder: Path, kohm: int, *checks: str) -> Acceptance:
    plan = written(folder, step("ride", least_s="60"), *checks, head=HEAD.replace("zirbel", "cart"))
    return accept([drive(folder, kohm)], read_plan(plan), folder / "cart.toml", vehicle="C-1")


@pytest.mark.parametrize(
    ("kohm", "verdict"), [(5000, Verdict.PASSED), (400, Verdict.FAILED), (1020, Verdict.OPEN)], ids=str
)
def test_a_plan_measures_insulation_from_the_log(tmp_path: Path, kohm: int, verdict: Verdict) -> None:
    """At least 1 MOhm, the monitor good to 60 kOhm: 5 MOhm pass, 0.4 fail, 1.02 decide nothing."""
    by_metric = check("insulation_low_kohm", "MOhm", low="1.0", **STATED | {"error": "0.06"})
    by_role = check("", "kOhm", role='"insulation_resistance"', take='"lowest"', low="1000", **STATED)
    found = held(tmp_path, kohm, by_metric, by_role)
    assert [r.verdict for r in found.rows] == [verdict, verdict]
    assert [r.value for r in found.rows] == [pytest.approx(kohm / 1000), pytest.approx(kohm)]


def test_it_is_a_birth_figure(tmp_path: Path) -> None:
    found = held(tmp_path, 5000, check("insulation_low_kohm", "MOhm", low="1.0", **STATED))
    kept = {b.figure.name: (b.figure.value, b.figure.unit) for b in found.births}
    assert kept["insulation"] == (5000.0, "kOhm")


def test_a_draft_finds_the_role_by_name_and_unit(tmp_path: Path) -> None:
    drive(tmp_path, 5000)
    done = CliRunner().invoke(build(), ["profile", "draft", str(tmp_path / "cart.dbc")])
    assert done.exit_code == 0, done.output
    assert 'insulation_resistance = "Pack.Rins"' in done.output
