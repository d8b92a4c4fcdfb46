"""The labelled campaign: many simulated vehicles over eight weeks, judged by the rules, held against the truth.

    python -m demo_logs.campaign --vehicles 200 --seed 2000 --calibrate 1000 [--workers 2] [--out FOLDER]
    python -m demo_logs.campaign --faults leaking_group,temp_frozen --vehicles 40 --seed 1100
    python -m demo_logs.campaign --faults stop-use --acting --short --vehicles 150 --seed 6000

Vehicles of the calibration seed give the fleet's reference figures; those of the judged seed are then judged. No log
files are written: sensors and logger are the same as for logs, and everything from sessions onwards is Herdbook's
own. Delay is the time from onset until the first night on which the finding stood; a night is judged after
every second session. Tables of several campaigns together: `python -m demo_logs.aggregate`.
"""

from __future__ import annotations

import argparse
import json
import pickle
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from functools import partial
from itertools import groupby
from multiprocessing import get_context
from pathlib import Path

import polars as pl

from demo_logs.causes import CAUSES, STOP_USE
from demo_logs.draw import EVERYTHING, Drawn, Wish, draw
from demo_logs.plan import PROFILES
from demo_logs.records import Measured, measure_batch
from demo_logs.scorecard import Said, TrueFault, TrueVehicle, score
from demo_logs.tables import as_json, as_markdown
from herdbook.pipeline.health.engine import judge
from herdbook.pipeline.health.reference import fit_reference
from herdbook.pipeline.vehicle.profile import Profile, load_profile

EVERY = 2  # sessions from one night that is judged to the next
BATCH = 140  # vehicles that run in step: a step costs about as much for many as for few; about 0.7 GB


def profiles() -> list[Profile]:
    return [load_profile(PROFILES / name) for name in ("zirbel.toml", "saumer.toml")]


def _in_step(drawn: Drawn) -> tuple[str, tuple[tuple[str, float], ...]]:
    """What vehicles must share to run in one batch."""
    return drawn.vehicle.profile.name, tuple((o.kind, o.minutes) for o in drawn.outings)


def measure_all(drawn: Sequence[Drawn], workers: int) -> list[Measured]:
    """All vehicles, in batches of one profile and calendar, over a pool of processes."""
    batches = []
    for _, group in groupby(sorted(drawn, key=_in_step), key=_in_step):
        mine = list(group)
        batches += [mine[i : i + BATCH] for i in range(0, len(mine), BATCH)]
    if workers <= 1:
        return [m for batch in batches for m in measure_batch(batch)]
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        return [m for part in pool.map(measure_batch, batches) for m in part]


def references(measured: Sequence[Measured], drawn: Sequence[Drawn]) -> dict[str, pl.DataFrame]:
    """Reference figures by profile."""
    profile_of = {d.vehicle.name: d.vehicle.profile.name for d in drawn}
    out = {}
    for name in sorted(set(profile_of.values())):
        rows = [
            m.metrics.with_columns(pl.lit(m.vehicle).alias("vehicle"))
            for m in measured
            if profile_of[m.vehicle] == name
        ]
        out[name] = fit_reference(pl.concat(rows))
    return out


def said_of(
    measured: Measured, profile: Profile, reference: pl.DataFrame | None, nightly: bool
) -> tuple[list[Said], list[str]]:
    """Findings that stand at the end, and the rules that could not judge. `first` of a finding is the first night on
    which it stood (nightly), else its evidence."""
    final = judge(measured.record(profile, reference))
    stands = {(j.rule.id, j.finding.item): j.finding for j in final.findings}
    first: dict[tuple[str, str], int] = {}
    if nightly and stands:
        for end in measured.sessions["end_t"].to_physical().sort().to_list()[::EVERY]:
            for j in judge(measured.record(profile, reference, until=end)).findings:
                first.setdefault((j.rule.id, j.finding.item), end)
    out = []
    for (rule, item), finding in stands.items():
        begun = min((w.start for w in finding.windows), default=0)
        out.append(Said(measured.vehicle, rule, finding.severity, item, first.get((rule, item), begun)))
    return out, [r.rule.id for r in final.not_assessed]


def _judge(
    reference: dict[str, pl.DataFrame], faulty: frozenset[str], pair: tuple[Measured, str]
) -> tuple[str, list[Said], list[str]]:
    measured, profile = pair
    known = {p.name: p for p in profiles()}
    said, refused = said_of(measured, known[profile], reference.get(profile), measured.vehicle in faulty)
    return measured.vehicle, said, refused


def truth_of(drawn: Drawn) -> TrueVehicle:
    vehicle, outings = drawn.vehicle, drawn.outings
    faults = tuple(
        TrueFault(f.name, str(f.item), size, f.onset) for f, size in zip(vehicle.faults, drawn.named, strict=True)
    )
    last = outings[-1].start + int(outings[-1].minutes * 60e6)
    return TrueVehicle(
        vehicle.name,
        vehicle.profile.name,
        faults,
        vehicle.harmless,
        outings[0].start,
        last,
        drawn.poor_data,
        drawn.far,
        drawn.left,
    )


def wish_of(args: argparse.Namespace) -> Wish:
    """Raises: SystemExit for a kind that is not known."""
    kinds = STOP_USE if args.faults == "stop-use" else tuple(k for k in args.faults.split(",") if k)
    unknown = sorted(set(kinds) - set(CAUSES))
    if unknown:
        print(f"campaign: no fault is called {', '.join(unknown)}; known: {', '.join(sorted(CAUSES))}", file=sys.stderr)
        raise SystemExit(2)
    return Wish(kinds, args.acting, args.double, args.short)


def _arguments() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m demo_logs.campaign", description=__doc__)
    parser.add_argument("--vehicles", type=int, default=200)
    parser.add_argument("--seed", type=int, default=2000, help="seed of the judged vehicles")
    parser.add_argument("--calibrate", type=int, default=1000, help="seed of the calibration vehicles")
    parser.add_argument("--calibration-vehicles", type=int, default=60)
    parser.add_argument("--faults", default="", help="only vehicles with these, comma between; stop-use: all such")
    parser.add_argument("--acting", action="store_true", help="only sizes a service desk would act at")
    parser.add_argument("--double", action="store_true", help="two faults of different kinds in a faulty vehicle")
    parser.add_argument("--short", action="store_true", help="three weeks instead of eight")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--keep", type=Path, help="folder for measured vehicles, used again when present")
    parser.add_argument("--out", type=Path, help="folder for campaign.md (tables) and campaign.json (figures)")
    return parser


def main(arguments: list[str] | None = None) -> int:
    args = _arguments().parse_args(arguments)
    begun = time.perf_counter()
    fleet, measured = _measured(args.seed, args.vehicles, args.workers, args.keep, wish_of(args))
    others, calibration = _measured(args.calibrate, args.calibration_vehicles, args.workers, args.keep)
    reference = references(calibration, others)
    profile_of = {d.vehicle.name: d.vehicle.profile.name for d in fleet}
    faulty = frozenset(d.vehicle.name for d in fleet if d.vehicle.faults)
    jobs = [(m, profile_of[m.vehicle]) for m in measured]
    with ProcessPoolExecutor(args.workers, mp_context=get_context("spawn")) as pool:
        judged = list(pool.map(partial(_judge, reference, faulty), jobs, chunksize=8))
    said = [s for _, words, _ in judged for s in words]
    truth = [truth_of(d) for d in fleet]
    card = score(truth, said)
    text = as_markdown(card)
    print(text)
    print(f"\n{len(fleet)} vehicles, {time.perf_counter() - begun:.0f} s on {args.workers} processes.")
    for miss in card.missed:
        print(f"missed: {miss.vehicle} {miss.fault.name} {miss.fault.item} of size {miss.fault.size:g}")
    for one in card.false:
        print(f"false: {one.vehicle} {one.severity} {one.rule} {one.item}")
    if args.out:
        args.out.mkdir(parents=True, exist_ok=True)
        (args.out / "campaign.md").write_text(text + "\n")
        raw = {
            "seed": args.seed,
            "truth": [asdict(t) for t in truth],
            "said": [asdict(s) for s in said],
            "refused": {vehicle: refused for vehicle, _, refused in judged},
        }
        (args.out / "campaign.json").write_text(json.dumps(as_json(card) | raw, indent=1) + "\n")
    return 0


def _measured(
    seed: int, count: int, workers: int, keep: Path | None, wish: Wish = EVERYTHING
) -> tuple[list[Drawn], list[Measured]]:
    drawn = draw(seed, count, profiles(), wish)
    if keep is None:
        return drawn, measure_all(drawn, workers)
    marks = [*wish.faults[:8], *(m for m in ("acting", "double", "short") if getattr(wish, m))]
    kept = keep / f"{'_'.join(['campaign', str(seed), str(count), *marks])}.pickle"
    if kept.is_file():
        found: list[Measured] = pickle.loads(kept.read_bytes())
        return drawn, found
    found = measure_all(drawn, workers)
    keep.mkdir(parents=True, exist_ok=True)
    kept.write_bytes(pickle.dumps(found))
    return drawn, found


if __name__ == "__main__":
    sys.exit(main())
