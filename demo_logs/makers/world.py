"""Runs vehicles through their calendars, many in step, and hands out what each logged session truly was."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_logs.makers.effects import idle, prepare
from demo_logs.makers.faults import CHARGE, REST, RIDE, Now
from demo_logs.makers.habits import HOUR, Event
from demo_logs.makers.physics.rows import Floats, give_back, pick
from demo_logs.makers.rider import wishes
from demo_logs.makers.riding import DT_S, Batch, Ride
from demo_logs.makers.standing import Stand, Standing
from demo_logs.makers.state import SENSORS, World, new_world
from demo_logs.makers.strikes import Strikes
from demo_logs.makers.trace import Trace
from demo_logs.makers.vehicle import Vehicle

CHARGE_S, COARSE_S, REST_S = 5.0, 30.0, 20.0
MOST = 256  # vehicles in one batch: a step costs about as much for many as for few
FIRST_HOURS = 10.0  # before the first event of a record


@dataclass(frozen=True, slots=True)
class Seen:
    """A logged session of vehicle `number` (its place in the list given to run): row `row` of the trace."""

    number: int
    event: Event
    trace: Trace
    row: int


def run(vehicles: list[Vehicle]) -> Iterator[Seen]:
    """Every logged session. A vehicle's sessions come in order of time; those of different vehicles do not."""
    world = new_world(vehicles)
    waiting = [list(v.events)[::-1] for v in vehicles]
    while any(waiting):
        yield from _batch(world, vehicles, waiting)


def _batch(world: World, vehicles: list[Vehicle], waiting: list[list[Event]]) -> Iterator[Seen]:
    """The kind of event that most vehicles wait for, of about one length; what costs nothing goes first."""
    groups: dict[tuple[str, bool], list[int]] = {}
    for i, events in enumerate(waiting):
        if events:
            groups.setdefault((events[-1].kind, events[-1].logged), []).append(i)
    (kind, logged), some = max(groups.items(), key=lambda item: (item[0] == (RIDE, False), len(item[1])))
    some.sort(key=lambda i: waiting[i][-1].seconds)
    rows = np.array(some[:MOST], np.intp)
    events = [waiting[i].pop() for i in rows]
    part = pick(world, rows)
    mine = [vehicles[i] for i in rows]
    trace = _session(part, mine, events, kind, logged)
    give_back(world, rows, part)
    if logged and trace is not None:
        yield from (Seen(int(i), event, trace, row) for row, (i, event) in enumerate(zip(rows, events, strict=True)))


def _session(world: World, vehicles: list[Vehicle], events: list[Event], kind: str, logged: bool) -> Trace | None:
    start = np.array([e.start for e in events], np.int64)
    now = Now([v.faults for v in vehicles], [e.start for e in events])
    rated = np.array([v.design.cell.rated_ah for v in vehicles])
    hours = np.where(world.clock_us > 0, np.maximum(0.0, (start - world.clock_us) / HOUR), FIRST_HOURS)
    prepare(world, now, rated)
    idle(world, hours, np.zeros(len(rated)), now, np.array([e.air_c for e in events]))
    seconds = np.array([e.seconds for e in events])
    trace: Trace | None = Trace(start, seconds)
    if kind == RIDE and not logged:
        _unseen(world, vehicles, events, now, rated)
        trace = None
    elif kind == RIDE:
        _ride(world, vehicles, events, now, Trace(start, seconds) if trace is None else trace)
    else:
        dt = REST_S if kind == REST else CHARGE_S if logged else COARSE_S
        steps = int(max(e.seconds for e in events) / dt) + 1
        Standing(world, _stand(vehicles, events, now), trace or Trace(start, seconds), dt, steps, kind == CHARGE).run(
            steps
        )
    if trace is not None:
        _truth(world, trace)
    ends: NDArray[np.int64] = start + (seconds * 1e6).astype(np.int64)
    world.clock_us = ends
    return trace


def _truth(world: World, trace: Trace) -> None:
    """True state when the session ended, for the labels."""
    real, soc = world.cells.real, world.cells.soc
    trace.facts["soc"] = np.where(real, soc, np.nan)
    mean = np.nanmean(np.where(real, soc, np.nan), axis=1)
    trace.facts["soc_error_pct"] = world.monitor.soc_pct - 100.0 * mean


def _unseen(world: World, vehicles: list[Vehicle], events: list[Event], now: Now, rated: Floats) -> None:
    """A ride that no log shows: charge taken, time passed, the odometer moved. Down to `to_pct` where it says so."""
    mean = np.array([float(s[r].mean()) for s, r in zip(world.cells.soc, world.cells.real, strict=True)])
    ah = np.array([e.use_pct for e in events]) / 100.0 * rated
    down = np.array([e.to_pct for e in events])
    ah = np.where(
        down >= 0, np.maximum(0.0, (mean - down / 100.0)) * rated, np.minimum(ah, np.maximum(0.0, mean - 0.03) * rated)
    )
    hours = np.array([e.seconds for e in events]) / 3600.0
    idle(world, hours, ah, now, np.array([e.air_c for e in events]))
    speed = np.array([0.5 * v.design.drive.top_ms for v in vehicles])
    world.odometer_km = world.odometer_km + speed * hours * 3.6
    world.boots = world.boots + 1.0


def _errors(vehicles: list[Vehicle]) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    error, frozen = np.zeros((len(vehicles), SENSORS)), np.zeros((len(vehicles), SENSORS))
    used = np.zeros((len(vehicles), SENSORS), bool)
    for row, v in enumerate(vehicles):
        count = v.design.pack.sensors
        error[row, :count], frozen[row, :count], used[row, :count] = v.one.probe_k, v.one.frozen_c, True
    return error, frozen, used


def _ride(world: World, vehicles: list[Vehicle], events: list[Event], now: Now, trace: Trace) -> None:
    world.boots = world.boots + 1.0
    rngs = [v.rng(7, e.start // 1_000_000) for v, e in zip(vehicles, events, strict=True)]
    lengths = [e.seconds for e in events]
    wish = wishes(vehicles, lengths, rngs, DT_S)
    steps = len(wish.kind)
    grid = np.arange(steps) * DT_S
    knots = np.arange(0.0, grid[-1] + 4.0, 2.0)
    noise = np.stack([np.interp(grid, knots, rng.normal(0.0, 0.06, len(knots))) for rng in rngs], axis=1)
    error, frozen, used = _errors(vehicles)
    load = [v.habits.rider_kg - v.design.drive.rider_kg + e.load_kg for v, e in zip(vehicles, events, strict=True)]
    batch = Batch(
        now=now,
        wish=wish,
        strikes=Strikes(rngs, now, steps, DT_S, lengths),
        load_kg=np.array(load),
        wind_ms=np.array([e.wind_ms for e in events]),
        wheel=np.array([v.one.wheel for v in vehicles]),
        error_k=error,
        frozen_c=frozen,
        used=used,
        lets_go=np.array([v.design.index % 2 == 1 for v in vehicles]),
        noise=noise,
        last=np.array([int(s / DT_S) for s in lengths]),
    )
    world.motors.iq = np.zeros_like(world.motors.iq)
    ride = Ride(world, batch, trace, np.array([v.one.volt_gain for v in vehicles]))
    for k in range(steps):
        ride.step(k)


def _stand(vehicles: list[Vehicle], events: list[Event], now: Now) -> Stand:
    error, frozen, used = _errors(vehicles)
    chargers = [v.design.charger for v in vehicles]
    rated = np.array([v.design.cell.rated_ah for v in vehicles])
    return Stand(
        now=now,
        seconds=np.array([e.seconds for e in events]),
        until_pct=np.array([e.until_pct for e in events]),
        amps=np.array([c.amps for c in chargers]),
        group_v=np.array([c.cell_v for c in chargers]),
        end_a=np.array([c.end_a for c in chargers]),
        tapers=np.array([c.kind == "taper" for c in chargers]),
        pulses=np.array([c.kind == "pulsed" for c in chargers]),
        still_a=np.array([v.design.pack.standby_ma / 1000.0 for v in vehicles]),
        closed_at_rest=np.array([v.bus.switch_at_rest == "closed" for v in vehicles]),
        volt_gain=np.array([v.one.volt_gain for v in vehicles]),
        error_k=error,
        frozen_c=frozen,
        used=used,
        rated_ah=rated,
    )
