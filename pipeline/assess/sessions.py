"""From logged data to sessions: ride, charge, rest or bench. A pure function of the set of logs.

A stretch is logged data without a break longer than join_s (and is cut at midnights UTC when it lasts over a day, so
that a vehicle that never stops logging stays cheap). Within a stretch every second of UTC is moving, charging or
neither; short stops do not end a ride, and short standstills at its ends belong to it. How the data are spread over
logs, and in which order these came, makes no difference.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise

import numpy as np
from numpy.typing import NDArray

from herdbook.pipeline.arrays import Bools
from herdbook.pipeline.spans import joined
from herdbook.pipeline.times import DAY, S
from herdbook.pipeline.vehicle.record import Session
from herdbook.pipeline.vehicle.roles import ROLES
from herdbook.pipeline.vehicle.signals import Series, Signals

MOVING_MPS = 0.3  # under a slow walk; engineering choice
MOVING_RPM = 30.0
HELD = 5  # readings in a row above CHARGING_A; engineering choice
CHARGING_A = 0.3  # into the pack; above the noise of usual current sensors; engineering choice
LEAST_RIDE_S = 5
LEAST_CHARGE_S = 60
LEAST_REST_S = 60
REST, CHARGE, RIDE = 0, 1, 2
KINDS = ("rest", "charge", "ride")


@dataclass(frozen=True, slots=True)
class Stretch:
    """Logged data in one go: microseconds UTC, end excluded."""

    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Found:
    """A session, and the share 0..1 of it that was logged."""

    session: Session
    coverage: float


def stretches(spans: Sequence[tuple[int, int]], join_us: int) -> list[Stretch]:
    """Stretches of a vehicle from the spans (first and last time) of all its logs."""
    out = []
    for first, last in joined(spans, join_us):
        end = last + 1
        days = range((first // DAY + 1) * DAY, end, DAY) if end - first > DAY else ()
        edges = [first, *days, end]
        out += [Stretch(a, b) for a, b in pairwise(edges)]
    return out


def sessions(
    vehicle: str,
    stretch: Stretch,
    signals: Signals,
    spans: Sequence[tuple[int, int]],
    bench: bool,
    stop_s: float,
    span_gap_us: int,
) -> list[Found]:
    """The sessions of one stretch. bench: a log in it says that the vehicle stood on a bench."""
    if bench:
        pieces = [("bench", stretch.start, stretch.end)]
    else:
        pieces = _pieces(stretch, _smooth(_states(stretch, signals), int(stop_s)))
    logged = joined(spans, span_gap_us)
    return [Found(Session(vehicle, kind, a, b), _covered(logged, a, b)) for kind, a, b in pieces]


def _covered(logged: Sequence[tuple[int, int]], start: int, end: int) -> float:
    seen = sum(max(0, min(end, b + 1) - max(start, a)) for a, b in logged)
    return min(1.0, seen / (end - start))


def _states(stretch: Stretch, signals: Signals) -> NDArray[np.int8]:
    """State of every second of the stretch; a second without data keeps the state before it."""
    first = stretch.start // S
    n = (stretch.end - 1) // S - first + 1

    moving, charging, known = np.zeros(n, bool), np.zeros(n, bool), np.zeros(n, bool)

    def mark(s: Series, state: Bools, holds: Bools) -> None:
        second = s.t // S - first
        state[second[holds]] = True
        known[second[~np.isnan(s.v)]] = True

    for name, least in (("vehicle_speed", MOVING_MPS), ("motor_speed", MOVING_RPM)):
        for item in signals.items(name):
            s = signals.series(name, item)
            mark(s, moving, np.abs(s.v) > least)
        if known.any():
            break  # motors may spin on a stand: they speak only where no speed is known
    for name, wanted in (("charger_state", ("constant_current", "constant_voltage")), ("bms_state", ("charge",))):
        s = signals.series(name)
        mark(s, charging, np.logical_or.reduce([s.v == ROLES[name].states.index(w) for w in wanted]))
    for name, sign in (("charger_current", 1.0), ("pack_current", -1.0)):
        s = signals.series(name)
        mark(s, charging, _held(sign * s.v > CHARGING_A))
    state = np.where(moving, RIDE, np.where(charging, CHARGE, REST)).astype(np.int8)
    last = np.maximum.accumulate(np.where(known, np.arange(n), -1))
    return np.where(last >= 0, state[np.maximum(last, 0)], REST).astype(np.int8)


def _held(over: Bools) -> Bools:
    """Only runs of HELD readings and more: one noisy reading on a sleeping bus would stand for half a minute, and cut a
    rest in pieces."""
    out = np.zeros(over.size, bool)
    begins = over.size - HELD + 1
    if begins > 0:
        whole = np.logical_and.reduce([over[k : begins + k] for k in range(HELD)])
        for k in range(HELD):
            out[k : begins + k] |= whole
    return out


def _runs(state: NDArray[np.int8]) -> list[list[int]]:
    """[state, length] of every run; no two neighbours alike."""
    edges = np.concatenate(([0], np.flatnonzero(np.diff(state)) + 1, [len(state)]))
    return [[int(state[a]), int(b - a)] for a, b in pairwise(edges)]


def _joined(runs: Sequence[Sequence[int]]) -> list[list[int]]:
    return [[state, sum(r[1] for r in some)] for state, some in groupby(runs, key=lambda r: r[0])]


def _smooth(state: NDArray[np.int8], stop_s: int) -> list[list[int]]:
    """Runs of the stretch after short pauses are bridged, flickers dropped, and short standstills given away."""
    runs = _bridged(_runs(state), stop_s)
    least = {RIDE: LEAST_RIDE_S, CHARGE: LEAST_CHARGE_S}
    runs = _joined([[REST if length < least.get(s, 0) else s, length] for s, length in runs])
    runs = _bridged(runs, stop_s)
    out: list[list[int]] = []
    for i, (s, length) in enumerate(runs):
        if s == REST and length < LEAST_REST_S and len(runs) > 1:
            s = out[-1][0] if out else runs[i + 1][0]
        out.append([s, length])
    return _joined(out)


def _bridged(runs: list[list[int]], stop_s: int) -> list[list[int]]:
    out = [list(r) for r in runs]
    for before, run, after in zip(runs, out[1:], runs[2:], strict=False):
        if run[0] == REST and run[1] < stop_s and before[0] == after[0]:
            run[0] = before[0]
    return _joined(out)


def _pieces(stretch: Stretch, runs: Sequence[Sequence[int]]) -> list[tuple[str, int, int]]:
    """(kind, start, end): whole seconds inside, the stretch's own ends outside."""
    out = []
    at = stretch.start // S
    for state, length in runs:
        out.append((KINDS[state], max(at * S, stretch.start), min((at + length) * S, stretch.end)))
        at += length
    return out
