"""Run the fleet of plan.py through its outings, write every log with its sidecar, and the truth to a
file of its own."""

from __future__ import annotations

import json
import shutil
from collections.abc import Collection, Iterator
from dataclasses import asdict
from pathlib import Path

import numpy as np

from demo_logs.frames import to_frames
from demo_logs.plan import LogPlan, Unit, units
from demo_logs.simulator import outings_of
from demo_logs.simulator.faults import HARMLESS, KINDS
from demo_logs.simulator.fleet import noise_rng
from demo_logs.simulator.logger import observe
from demo_logs.writers import write_log
from herdbook.decoders.frames import Frames

DOUBLE = ("ZB-0101_2026-03-02_dock.blf", "upload_again_(1).blf")  # the same bytes under another name
STRANGER = "handover_note.bin"  # no log at all


def write_fleet(seed: int, out: Path, truth: Path, only: Collection[str] = ()) -> Iterator[str]:
    """Yields one line a file. Files of the same name are replaced; others in `out` stay. only: names of the
    vehicles whose logs are wanted (all when empty); the truth is always that of the whole fleet."""
    out.mkdir(parents=True, exist_ok=True)
    fleet = units(seed)
    for unit in fleet:
        for plan, frames in logs_of(unit) if not only or unit.vehicle.name in only else ():
            path = out / plan.file
            write_log(path, frames, plan.relative)
            if plan.keep < 1.0:
                data = path.read_bytes()
                path.write_bytes(data[: int(len(data) * plan.keep)])
            if plan.sidecar:
                path.with_name(path.name + ".toml").write_text(_sidecar(plan.sidecar))
            yield f"{path.name}: {len(frames)} frames, {path.stat().st_size} bytes"
    if (out / DOUBLE[0]).is_file():
        shutil.copyfile(out / DOUBLE[0], out / DOUBLE[1])
    (out / STRANGER).write_bytes(np.random.default_rng(seed).integers(0, 256, 4096, dtype=np.uint8).tobytes())
    truth.write_text(json.dumps(truth_of(fleet, seed), indent=1) + "\n")
    yield f"{truth.name}: {len(fleet)} vehicles"


def logs_of(unit: Unit) -> Iterator[tuple[LogPlan, Frames]]:
    """Frames of each log of one vehicle, in order."""
    vehicle = unit.vehicle
    plans = [plan for plan in unit.logs for _ in plan.outings]
    outings = [outing for plan in unit.logs for outing in plan.outings]
    parts: list[Frames] = []
    for number, (plan, (slot, trace, _)) in enumerate(zip(plans, outings_of([vehicle], outings), strict=True)):
        rng = noise_rng(vehicle, slot[0])
        seen = observe(trace, 0, vehicle.profile, slot[0].kind, plan.logger, rng, vehicle.noise)
        parts.append(to_frames(seen, vehicle.profile, plan.spoil, vehicle.seed))
        if number + 1 == len(plans) or plans[number + 1] is not plan:
            yield plan, _joined(parts)
            parts = []


def _joined(parts: list[Frames]) -> Frames:
    if len({p.channels for p in parts}) != 1:
        raise ValueError("outings of one log must use the same buses")
    return Frames(
        np.concatenate([p.t for p in parts]),
        np.concatenate([p.channel for p in parts]),
        np.concatenate([p.can_id for p in parts]),
        np.concatenate([p.flags for p in parts]),
        np.concatenate([p.length for p in parts]),
        np.concatenate([p.payload for p in parts]),
        parts[0].channels,
    )


def truth_of(fleet: list[Unit], seed: int) -> dict[str, object]:
    """What evaluation may know and rules may not."""
    rows: dict[str, dict[str, object]] = {}
    for unit in fleet:
        vehicle = unit.vehicle
        outings = [o for plan in unit.logs for o in plan.outings]
        rows[vehicle.name] = {
            "vehicle": vehicle.name,
            "profile": vehicle.profile.name,
            "faults": [asdict(f) | {"unit": KINDS[f.name][1]} for f in vehicle.faults],
            "harmless": {name: HARMLESS[name] for name in vehicle.harmless},
            "first": min(o.start for o in outings),
            "last": max(o.start + int(o.minutes * 60e6) for o in outings),
        }
    return {"seed": seed, "vehicles": list(rows.values())}


def _sidecar(entries: dict[str, str]) -> str:
    dates = {"start", "built", "in_service"}
    return "".join(f"{k} = {v}\n" if k in dates else f'{k} = "{v}"\n' for k, v in entries.items())
