"""What one vehicle-day costs to measure and judge, on one core, beside reading the same samples once.

    python tests/bench/assess_day.py --out build/bench

The day is a simulated ride of four minutes, laid end to end until it holds 400,000 frames' worth of messages. The
peer is numpy itself: sorting every sample once. Writes assess_day.json.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import numpy as np
import polars as pl

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from demo_logs.simulator import Outing, Vehicle, signals_of  # noqa: E402
from herdbook.pipeline.health.engine import judge  # noqa: E402
from herdbook.pipeline.health.rule import Record  # noqa: E402
from herdbook.pipeline.metrics import all_sets, measure  # noqa: E402
from herdbook.pipeline.metrics.set import Outcome  # noqa: E402
from herdbook.pipeline.vehicle.profile import Profile, load_profile  # noqa: E402
from herdbook.pipeline.vehicle.record import (  # noqa: E402
    EVENTS,
    METRICS,
    REFERENCE,
    SESSIONS,
    Session,
)
from herdbook.pipeline.vehicle.signals import Series, Signals  # noqa: E402

FRAMES = 400_000
RIDE_MIN = 4.0
START = 1_772_352_000_000_000
BAR_S = 0.5


def day(profile: Profile) -> tuple[Session, Signals, int]:
    """A ride of FRAMES frames, by repeating a short one; and how many frames that is. Roles of one message share their
    times, as they do when read from the lake."""
    session, ride = signals_of([Vehicle("HB-1", profile, seed=3)], [Outing("ride", START, RIDE_MIN)])[0]
    frames = sum({m.message: len(ride.series(m.role, m.item)) for m in profile.roles}.values())
    times = -(-FRAMES // frames)
    span = session.end - session.start
    message = {(m.role, m.item): m.message for m in profile.roles}
    shared: dict[tuple[str, bytes], np.ndarray] = {}
    data = {}
    for key, s in ride.data.items():
        if len(s):
            alike = message[key], s.t.tobytes()
            t = shared.setdefault(alike, np.concatenate([s.t + k * span for k in range(times)]))
            data[key] = Series(t, np.tile(s.v, times))
    end = session.start + times * span
    return replace(session, end=end), Signals(session.vehicle, session.start, end, data), frames * times


def record(session: Session, outcome: Outcome, profile: Profile) -> Record:
    def at(t: int) -> datetime:
        return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=t)

    a, b = at(session.start), at(session.end)
    rows = [("ride", a, b, m.name, m.item, m.value, m.unit, m.se, m.n, m.coverage) for m in outcome.metrics]
    events = [
        (a, e.kind, e.item, at(e.start), at(e.end), [{"key": k, "value": v} for k, v in e.data.items()])
        for e in outcome.events
    ]
    return Record(
        session.vehicle,
        profile,
        pl.DataFrame([(session.vehicle, "ride", a, b, 1.0)], schema=SESSIONS, orient="row"),
        pl.DataFrame(rows, schema=METRICS, orient="row"),
        pl.DataFrame(events, schema=EVENTS, orient="row").sort("start_t", maintain_order=True),
        pl.DataFrame(schema=REFERENCE),
    )


def best(work: Callable[[], object], times: int = 3) -> float:
    """Least processor seconds of a few runs: other work on the machine counts little."""
    taken = []
    for _ in range(times):
        begun = time.process_time()
        work()
        taken.append(time.process_time() - begun)
    return min(taken)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=ROOT / "build" / "bench")
    args = parser.parse_args()
    profile = load_profile(ROOT / "dbc_demo" / "zirbel.toml")
    session, signals, frames = day(profile)
    samples = sum(len(s) for s in signals.data.values())
    outcome = measure(session, signals, profile)
    kept = record(session, outcome, profile)
    applies = [one for one in all_sets().values() if session.kind in one.kinds and signals.has(*one.needs)]
    sets = {one.id: best(partial(one.compute, session, signals, profile), 1) for one in applies}
    measured = best(partial(measure, session, signals, profile))
    judged = best(partial(judge, kept))
    peer = best(lambda: [np.sort(s.v) for s in signals.data.values()])
    found = {
        "frames": frames,
        "samples": samples,
        "measure_s": measured,
        "judge_s": judged,
        "sort_every_sample_s": peer,
    }
    slowest = sorted(sets.items(), key=lambda pair: -pair[1])
    args.out.mkdir(parents=True, exist_ok=True)
    text = json.dumps(found | {"sets_s": dict(slowest)}, indent=1)
    (args.out / "assess_day.json").write_text(text + "\n")
    print(f"{frames} frames, {samples} samples: measure {measured:.3f} s, judge {judged:.3f} s;")
    print(f"sorting every sample once: {peer:.3f} s. Bar: {BAR_S} s in all.")
    for name, seconds in slowest[:8]:
        print(f"  {name:20s} {1000 * seconds:7.1f} ms")
    return 0 if measured + judged < BAR_S else 1


if __name__ == "__main__":
    sys.exit(main())
