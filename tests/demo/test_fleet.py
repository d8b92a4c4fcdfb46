"""The committed logs: named in their README, small, with sidecars that parse, and what the plan says."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import numpy as np
import pytest

from demo_logs.plan import units
from demo_logs.write_fleet import DOUBLE, STRANGER, logs_of, truth_of
from herdbook.decoders import read_frames

HERE = Path(__file__).resolve().parents[2] / "demo_logs"
FLEET = HERE / "fleet"
FILES = sorted(p for p in FLEET.iterdir() if p.suffix != ".toml")
SEED = 7


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.name)
def test_every_log_is_named_in_the_readme(path: Path) -> None:
    assert f"`{path.name}`" in (HERE / "README.md").read_text("utf-8")


def test_the_fleet_is_what_the_plan_says_and_small() -> None:
    planned = {plan.file for unit in units(SEED) for plan in unit.logs} | {DOUBLE[1], STRANGER}
    assert {p.name for p in FILES} == planned
    assert sum(p.stat().st_size for p in FLEET.iterdir()) < 15_000_000
    formats = {"".join(p.suffixes[-2:]) if p.suffix == ".gz" else p.suffix for p in FILES}
    assert formats >= {".log", ".log.gz", ".blf", ".asc.gz", ".mf4"}


def test_sidecars_parse_and_belong_to_a_log() -> None:
    for path in FLEET.glob("*.toml"):
        tomllib.loads(path.read_text("utf-8"))
        assert path.with_suffix("").is_file(), path.name


def test_truth_is_that_of_the_plan_and_names_the_headline_families() -> None:
    truth = json.loads((HERE / "truth.json").read_text("utf-8"))
    assert truth == json.loads(json.dumps(truth_of(units(SEED), SEED)))
    faults = {f["name"] for v in truth["vehicles"] for f in v["faults"]}
    assert faults >= {"imbalance", "weak_group", "hot_for_load", "regen_dropout", "regen_refused_unexplained"}
    assert {h for v in truth["vehicles"] for h in v["harmless"]} >= {"full_pack", "cold_pack"}


def test_a_committed_log_can_be_made_again() -> None:
    """The shortest trike ride, simulated anew: the same frames (values may round apart on another CPU)."""
    unit = next(u for u in units(SEED) if u.vehicle.name == "SM-0203")
    plan, frames = next(iter(logs_of(unit)))
    there = read_frames(FLEET / plan.file)
    assert len(there) == len(frames)
    np.testing.assert_array_equal(there.t, frames.t)
    np.testing.assert_array_equal(there.can_id, frames.can_id)
    assert np.mean(there.payload[:, : frames.payload.shape[1]] == frames.payload) > 0.999
