"""A DBC file that does not load: named message and signal, and a way round it that says what it leaves out."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

import tests.toy.logs as toy
from herdbook.pipeline.errors import ProfileError
from herdbook.pipeline.vehicle.profile import load_profile
from tests.intake.test_bus_load import profiles
from tests.toy.bench import Bench

OVERLAP = (
    '\nBO_ 300 Odd: 8 BMS\n SG_ A : 0|8@1+ (1,0) [0|0] "" DRV\n SG_ B : 4|8@1+ (1,0) [0|0] "" DRV\n'
    ' SG_ C : 60|8@1+ (1,0) [0|0] "" DRV\n'
)


def spoilt(folder: Path, bus: str = "") -> Path:
    folder = profiles(folder, bus)
    text = (folder / "toy.dbc").read_text()
    (folder / "toy.dbc").write_text(text.replace("\nBA_DEF_ BO_", OVERLAP + "\nBA_DEF_ BO_", 1))
    return folder


def test_strictly_it_is_refused_by_name_with_the_way_round(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match=r"message Odd, signal C: needs 68 bits.*signals .* overlap") as e:
        load_profile(spoilt(tmp_path / "p") / "toy.toml")
    assert "lenient = true" in str(e.value)


def test_leniently_what_is_sound_is_decoded_and_the_rest_is_told(tmp_path: Path) -> None:
    folder = spoilt(tmp_path / "p", "lenient = true")
    bench = Bench(tmp_path / "bench", folder)
    odd = toy.frame(toy.T0 + 5, 300, bytes([0x21, 0x43, 0, 0, 0, 0, 0, 0]))
    toy.write(bench.inbox / "TOY-007.log", [*toy.day(), odd])
    bench.scan()
    assert bench.reasons() == {}
    told = json.loads(
        subprocess.run(
            [sys.executable, "-m", "herdbook.flows.cli", "profile", "check", str(folder / "toy.toml"), "--json"],
            capture_output=True,
            check=True,
        ).stdout
    )
    left_out = [doubt for doubt in told["doubts"] if doubt.startswith("read leniently")]
    assert len(left_out) == 2
    assert "signal C" in left_out[0]
    strict = load_profile(profiles(tmp_path / "q") / "toy.toml")
    assert load_profile(folder / "toy.toml").network_hash != strict.network_hash


def test_leniency_is_advised_only_where_it_helps(tmp_path: Path) -> None:
    folder = profiles(tmp_path / "p")
    (folder / "toy.dbc").write_text("this is no description of a bus\n")
    with pytest.raises(ProfileError, match=r"not a DBC file") as e:
        load_profile(folder / "toy.toml")
    assert "lenient" not in str(e.value)


def test_a_log_of_a_lenient_profile_with_other_bus_labels_is_told_so(tmp_path: Path) -> None:
    folder = spoilt(tmp_path / "p", 'lenient = true\nchannel = "can7"')
    bench = Bench(tmp_path / "bench", folder)
    toy.write(bench.inbox / "TOY-007.log", toy.day())
    bench.scan()
    assert "the log's buses are called can0" in bench.reasons()["TOY-007.log"]
