"""All vehicles of a run as arrays: design, individual and state side by side, groups and sensors padded."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_logs.makers.physics.firmware import Controller, Monitor, controller_of, monitor_of
from demo_logs.makers.physics.pack import Cells
from demo_logs.makers.physics.road import Motors
from demo_logs.makers.physics.rows import Flags, Floats
from demo_logs.makers.physics.thermal import DriveHeat, PackHeat
from demo_logs.makers.vehicle import Vehicle

GROUPS, SENSORS = 20, 6


@dataclass(slots=True)
class Road:
    """A vehicle on the road, (vehicles,), as its design has it; the ride adds rider, load, wind and hill."""

    mass_kg: Floats
    rider_kg: Floats
    drag_area: Floats
    rolling: Floats
    turns: Floats  # motor rad/s a m/s
    belt: Floats
    aux_w: Floats
    top_ms: Floats


@dataclass(slots=True)
class World:
    """State of every vehicle. done_*: what of a fault that happens once has happened. clock_us: end of the last event
    (0: none yet)."""

    cells: Cells
    heat: PackHeat
    monitor: Monitor
    motors: Motors
    drive_heat: DriveHeat
    controller: Controller
    road: Road
    joint_ohm: Floats
    built_ah: Floats
    built_r: Floats  # (vehicles, groups, 3): ohmic, kinetic, slow
    built_leak: Floats
    built_winding: Floats
    built_winding_w: Floats
    near_share: Floats  # (vehicles, sensors, groups): which groups sit beside a sensor, summing to 1
    done_offset: Floats
    odometer_km: Floats
    boots: Floats
    clock_us: NDArray[np.int64]


def _groups(values: list[Floats], fill: float) -> Floats:
    out = np.full((len(values), GROUPS), fill)
    for row, value in enumerate(values):
        out[row, : len(value)] = value
    return out


def _column(values: list[float]) -> Floats:
    return np.array(values, np.float64)[:, None]


def new_world(vehicles: list[Vehicle]) -> World:
    designs = [v.design for v in vehicles]
    ones = [v.one for v in vehicles]
    count = len(vehicles)
    cells = _cells(vehicles)
    near = np.zeros((count, SENSORS, GROUPS))
    for row, d in enumerate(designs):
        edges = np.linspace(0, d.pack.groups, d.pack.sensors + 1).round().astype(int)
        for k in range(d.pack.sensors):
            near[row, k, edges[k] : max(edges[k] + 1, edges[k + 1])] = 1.0
        near[row] /= np.maximum(near[row].sum(axis=1, keepdims=True), 1.0)
    motors = Motors(
        constant=np.stack(
            [_sides(d.drive.nm_per_a, d.drive.motors) * o.constant for d, o in zip(designs, ones, strict=True)]
        ),
        ohm20=np.stack([d.drive.winding_ohm * o.winding for d, o in zip(designs, ones, strict=True)]),
        stage_ohm=_column([d.drive.stage_ohm for d in designs]).repeat(2, 1),
        stage_v=_column([d.drive.stage_v for d in designs]).repeat(2, 1),
        iron_w_s=np.stack([_sides(d.drive.iron_w_s, d.drive.motors) for d in designs]),
        iq=np.zeros((count, 2)),
    )
    road = Road(
        *(
            np.array([float(getattr(d.drive, name)) for d in designs])
            for name in ("mass_kg", "rider_kg", "drag_area_m2", "rolling", "turns", "belt", "aux_w", "top_ms")
        )
    )
    air = np.array([v.habits.garage_c for v in vehicles])
    built_r = np.stack([cells.ohmic, cells.kinetic, cells.slow], axis=2)
    heat = _pack_heat(vehicles, near, air)
    drive_heat = _drive_heat(vehicles, air)
    return World(
        cells=cells,
        heat=heat,
        monitor=monitor_of(vehicles),
        motors=motors,
        drive_heat=drive_heat,
        controller=controller_of(vehicles),
        road=road,
        joint_ohm=np.array([d.pack.joint_mohm / 1000.0 for d in designs]),
        built_ah=cells.ah.copy(),
        built_r=built_r,
        built_leak=cells.leak_a.copy(),
        built_winding=motors.ohm20.copy(),
        built_winding_w=drive_heat.winding_w.copy(),
        near_share=near,
        done_offset=np.zeros((count, GROUPS)),
        odometer_km=np.array([o.odometer_km for o in ones]),
        boots=np.full(count, 7.0),
        clock_us=np.zeros(count, np.int64),
    )


def _sides(value: float, motors: int) -> Floats:
    return np.array([value, value if motors == 2 else 0.0])


def _cells(vehicles: list[Vehicle]) -> Cells:
    designs, ones = [v.design for v in vehicles], [v.one for v in vehicles]
    cell = [d.cell for d in designs]
    r = [c.r_mohm / 1000.0 for c in cell]
    pairs = list(zip(cell, ones, r, strict=True))
    kinetic_part = [(1.0 - c.ohmic_share) / (1.0 - np.exp(-10.0 / c.fast_s)) for c in cell]
    real = np.zeros((len(vehicles), GROUPS), bool)
    for row, d in enumerate(designs):
        real[row, : d.pack.groups] = True
    ah = _groups([c.rated_ah * c.built * o.ah for c, o, _ in pairs], 30.0)
    start = _column([o.start_pct / 100.0 for o in ones])
    full = _groups([o.ah / o.ah.mean() for o in ones], 1.0)
    leak_a = [c.self_discharge_pct_month / 100.0 * c.rated_ah / 730.5 for c in cell]
    standby = [d.pack.standby_ma / 1000.0 for d in designs]
    zero = np.zeros((len(vehicles), GROUPS))
    cells = Cells(
        curve=np.stack([c.curve_v for c in cell]),
        gap_v=_column([c.gap_v for c in cell]),
        gap_low=_column([c.gap_low for c in cell]),
        turn=_column([c.turn for c in cell]),
        fast_s=_column([c.fast_s for c in cell]),
        slow_s=_column([c.slow_s for c in cell]),
        bend_a=_column([c.bend_c * c.rated_ah for c in cell]),
        ea_ev=_column([c.ea_ev for c in cell]),
        ohmic_ea=_column([c.ohmic_ea for c in cell]),
        rise_low=_column([c.rise_low for c in cell]),
        rise_width=_column([c.rise_width for c in cell]),
        rise_high=_column([c.rise_high for c in cell]),
        entropy_v_k=_column([c.entropy_mv_k / 1000.0 for c in cell]),
        ah=ah,
        ohmic=_groups([x * c.ohmic_share * o.r for c, o, x in pairs], 0.0),
        kinetic=_groups([x * k * o.r for (_, o, x), k in zip(pairs, kinetic_part, strict=True)], 0.0),
        slow=_groups([c.slow_mohm / 1000.0 * o.slow_r for c, o, _ in pairs], 0.0),
        leak_a=_groups([a * o.leak + s for a, o, s in zip(leak_a, ones, standby, strict=True)], 0.0),
        real=real,
        soc=1.0 - (1.0 - start) / full + _groups([o.offset for o in ones], 0.0),
        fast_v=zero.copy(),
        slow_v=zero.copy(),
        branch=zero - 0.6,
        temp_c=zero + _column([v.habits.garage_c for v in vehicles]),
        ohmic_factor=zero + 1.0,
        kinetic_factor=zero + 1.0,
    )
    cells.refresh()
    return cells


def _pack_heat(vehicles: list[Vehicle], near: Floats, air: Floats) -> PackHeat:
    packs = [v.design.pack for v in vehicles]
    loss = np.zeros((len(packs), GROUPS))
    side = np.zeros((len(packs), GROUPS - 1))
    for row, p in enumerate(packs):
        share = np.ones(p.groups)
        share[[0, -1]] = p.ends
        loss[row, : p.groups] = p.loss_w_k * share / share.sum()
        side[row, : p.groups - 1] = p.side_w_k
    return PackHeat(
        capacity=_column([p.heat_j_k / p.groups for p in packs]),
        loss=loss,
        side=side,
        near=near.copy(),
        probe_s=_column([p.probe_s for p in packs]),
        board_w=np.array([p.board_w for p in packs]),
        probe_c=np.zeros((len(packs), SENSORS)) + air[:, None],
        board_c=air.copy(),
        air_c=air.copy(),
    )


def _drive_heat(vehicles: list[Vehicle], air: Floats) -> DriveHeat:
    drives = [v.design.drive for v in vehicles]
    two = np.zeros((len(drives), 2))

    def pair(name: str) -> Floats:
        return two + _column([float(getattr(d, name)) for d in drives])

    return DriveHeat(
        winding_j=pair("winding_j_k"),
        winding_w=pair("winding_w_k"),
        case_j=pair("case_j_k"),
        case_w=pair("case_w_k"),
        stage_j=pair("stage_j_k"),
        stage_w=pair("stage_w_k"),
        plate_j=np.array([d.plate_j_k * d.motors for d in drives]),
        plate_w=np.array([d.plate_w_k * d.motors for d in drives]),
        winding_c=two + air[:, None],
        case_c=two + air[:, None],
        stage_c=two + air[:, None],
        plate_c=air.copy(),
    )


def real_min(values: Floats, real: Flags) -> Floats:
    return np.asarray(np.where(real, values, np.inf).min(axis=1))


def real_max(values: Floats, real: Flags) -> Floats:
    return np.asarray(np.where(real, values, -np.inf).max(axis=1))
