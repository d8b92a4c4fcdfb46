"""Simulated boards with two packs side by side: the demo board, its pack halved and there twice.

The physics of each pack is the demo simulator's, run once a pack with the same ride; each carries half of the current.
The second pack's messages are those of the first under names and identifiers of their own.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from demo_logs.frames import to_frames
from demo_logs.plan import charge, ride
from demo_logs.simulator import Fault, Logger, Outing, Vehicle, outings_of
from demo_logs.simulator.fleet import noise_rng
from demo_logs.simulator.logger import observe
from demo_logs.writers import write_log
from herdbook.decoders.frames import Frames
from herdbook.pipeline.vehicle.profile import Profile, load_profile

ROOT = Path(__file__).resolve().parents[2]
APART = 64  # identifiers of the second pack's messages are so many higher
MESSAGES = ("BMS_Pack", "BMS_Limits", "BMS_Cells", "BMS_Heat", "BMS_Bleed")
HALVED = {  # figures of one pack of two
    "rated_ah = 30.0": "rated_ah = 15.0",
    "max_charge_a = 30.0": "max_charge_a = 15.0",
    "max_discharge_a = 120.0": "max_discharge_a = 60.0",
    "cell_r10s_mohm = 2.0": "cell_r10s_mohm = 4.0",
    "heat_capacity_j_per_k = 8600.0": "heat_capacity_j_per_k = 4300.0",
    "heat_loss_w_per_k = 1.9": "heat_loss_w_per_k = 0.95",
    "charger_a = 20.0": "charger_a = 10.0",
    "charge_end_a = 1.0": "charge_end_a = 0.5",
}
HALF = ("pack_current", "charge_limit", "discharge_limit")
DOCK = Logger(burst_s=5.0)
AGO = 1_772_600_000  # when the files were written: long ago, so that nothing waits for one that still grows


def write_dbc(folder: Path) -> Path:
    """The demo board's DBC file with the pack's messages a second time, as BMS2_*."""
    text = (ROOT / "dbc_demo" / "zirbel.dbc").read_text("utf-8")
    numbers = {m[2]: int(m[1]) for m in re.finditer(r"^BO_ (\d+) (\w+):", text, re.M)}
    more: dict[str, list[str]] = {}
    for name in MESSAGES:
        block = re.search(rf"^BO_ {numbers[name]} .*?(?=^\s*$)", text, re.M | re.S)
        assert block
        more[name] = [block[0].replace(f"BO_ {numbers[name]} BMS_", f"BO_ {numbers[name] + APART} BMS2_")]
    told = [
        re.sub(rf"\b{numbers[name]}\b", str(numbers[name] + APART), line, count=1)
        for line in text.splitlines()
        for name in MESSAGES
        if re.match(rf"(CM_|BA_|VAL_)\b.*?(?<!\S){numbers[name]}(?!\S)", line)
    ]
    head, rest = text.split("BO_ 768 ", 1)
    blocks = "\n".join("".join(some) for some in more.values())
    path = folder / "zirbel.dbc"
    path.write_text(f"{head}{blocks}\nBO_ 768 {rest}" + "\n".join(told) + "\n", "utf-8")
    return path


def one_pack_text() -> str:
    """The profile of which the first of the two packs is mapped."""
    text = (ROOT / "dbc_demo" / "zirbel.toml").read_text("utf-8")
    for old, new in HALVED.items():
        assert old in text, old
        text = text.replace(old, new)
    return text.replace('name = "zirbel"', 'name = "twin"', 1)


def two_packs_text() -> str:
    """The same with the second pack."""
    text = one_pack_text()
    roles = re.findall(r'^\w+ = .*"BMS_.*$', text, re.M)
    mine = [line.replace("BMS_", "BMS2_") for line in roles if not line.startswith("ambient_temp")]
    return text + "\n[[other_pack]]\n[other_pack.roles]\n" + "\n".join(mine) + "\n"


def write_profile(folder: Path, text: str = "") -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    write_dbc(folder)
    path = folder / "twin.toml"
    path.write_text(text or two_packs_text(), "utf-8")
    return path


def usual_outings(day: str = "2026-03-02", soc_pct: float = 85.0) -> list[Outing]:
    """A ride in the morning, a charge in the evening."""
    return [ride(day, "07:10", 4.0, soc_pct), charge(day, "16:00", 6.0)]


def write_logs(
    folder: Path,
    profile: Path,
    name: str,
    outings: Sequence[Outing],
    first: Iterable[Fault] = (),
    second: Iterable[Fault] = (),
) -> list[Path]:
    """One log an outing; faults of each pack. The drive's frames are those of the first pack's run."""
    known, large = load_profile(profile), load_profile(ROOT / "dbc_demo" / "zirbel.toml")
    number = int(name[-4:])
    vehicles = [
        Vehicle(name, large, 70_000 + number, tuple(faults), serial=number, pack_serial=number)
        for faults in (first, second)
    ]
    written = []
    for outing, (_, trace, _) in zip(outings, outings_of(vehicles, outings), strict=True):
        parts = []
        for role in HALF:
            trace.data[role] = trace.data[role] / 2
        logger, rng = DOCK if outing.kind != "ride" else Logger(), noise_rng(vehicles[0], outing)
        for row, by in enumerate((known, *known.others)):
            seen = observe(trace, row, replace(by, others=(), whole=None), outing.kind, logger, rng)
            own = [s for s in seen if row == 0 or s.message.name.startswith("BMS2_")]
            parts.append(to_frames(own, by))
        path = folder / f"{name}_{outing.start // 1_000_000}_{outing.kind}.log"
        folder.mkdir(parents=True, exist_ok=True)
        write_log(path, _merged(parts))
        os.utime(path, (AGO, AGO))
        written.append(path)
    return written


def _merged(parts: list[Frames]) -> Frames:
    t = np.concatenate([p.t for p in parts])
    order = np.argsort(t, kind="stable")
    columns = {
        name: np.concatenate([getattr(p, name) for p in parts])[order]
        for name in ("channel", "can_id", "flags", "length", "payload")
    }
    return Frames(t=t[order], channels=parts[0].channels, **columns)


def load(folder: Path) -> Profile:
    return load_profile(write_profile(folder))
