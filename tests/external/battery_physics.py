"""Writes what a physics model of an LFP cell does under our loads, as CSV; run by `make physics` in its own venv.

Model: single particle with electrolyte (SPMe) of PyBaMM, parameter set Prada2013 (E. Prada et al., J.
Electrochem. Soc. 160 (2013) A616), 2.3 Ah nominal. 30 / 2.3 such cells in parallel make a group of 30 Ah, so
currents are divided by that number. Nothing of ours is imported: the model and the estimators share no code.

    python tests/external/battery_physics.py build/physics      tables that are there already are not solved again
"""

from __future__ import annotations

import csv
import os
import sys
from collections.abc import Callable
from pathlib import Path

os.environ["PYBAMM_DISABLE_TELEMETRY"] = "true"

import numpy as np
import pybamm

PARALLEL = 30.0 / 2.3
TEMPS_C = (0.0, 25.0, 40.0)
LEAK_PCT_PER_DAY = 0.21  # 2.6 mA of 30 Ah


def solve(
    t: np.ndarray, amps: np.ndarray, soc: float, contact_ohm: float = 0.0, celsius: float | None = None
) -> np.ndarray:
    """Terminal voltage of one group at t (s) under amps (A, positive on discharge). celsius: held; else the set's."""
    values = pybamm.ParameterValues("Prada2013")
    if celsius is not None:
        values["Ambient temperature [K]"] = values["Initial temperature [K]"] = celsius + 273.15
    values["Current function [A]"] = pybamm.Interpolant(t, amps / PARALLEL, pybamm.t)
    values["Contact resistance [Ohm]"] = contact_ohm * PARALLEL
    values["Lower voltage cut-off [V]"], values["Upper voltage cut-off [V]"] = 1.5, 4.2
    limits = pybamm.ParameterValues("Prada2013")
    x, y = pybamm.lithium_ion.get_initial_stoichiometries(soc, limits)
    values["Initial concentration in negative electrode [mol.m-3]"] = (
        x * values["Maximum concentration in negative electrode [mol.m-3]"]
    )
    values["Initial concentration in positive electrode [mol.m-3]"] = (
        y * values["Maximum concentration in positive electrode [mol.m-3]"]
    )
    model = pybamm.lithium_ion.SPMe({"contact resistance": "true"})
    found = pybamm.Simulation(model, parameter_values=values).solve(t)
    return np.asarray(np.interp(t, found["Time [s]"].entries, found["Voltage [V]"].entries, right=np.nan))


def ride(seconds: float, mean_a: float, seed: int, dt: float = 0.1) -> tuple[np.ndarray, np.ndarray]:
    """Levels held for 3 to 20 s, -15 to 55 A, with ramps of half a second."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, seconds, dt)
    holds = rng.uniform(3, 20, int(seconds))
    levels = np.clip(rng.normal(mean_a, 16, holds.size), -15, 55)
    raw = np.repeat(levels, (holds / dt).astype(int))[: t.size]
    return t, np.convolve(raw, np.ones(5) / 5, mode="same")


def without_steps(t: np.ndarray, amps: np.ndarray, volts: np.ndarray, soc: float, most: int = 24) -> list[np.ndarray]:
    """What single steps of a ride did by themselves: the model again, up to the step alike, then at the current before.

    For steps of 9 A and more, after two seconds and before ten of steady current, evenly picked. Columns: moment,
    current before, after, and by how much the ride's voltage differs from the voltage without the step 0.5, 2 and 10 s
    after it. Whatever still moves from earlier load is in both and cancels.
    """
    moving = np.abs(np.diff(amps)) > 1e-9
    starts = np.flatnonzero(moving & ~np.concatenate(([False], moving[:-1])))
    ends = np.flatnonzero(moving & ~np.concatenate((moving[1:], [False]))) + 1
    long_before = np.diff(t[starts], prepend=-np.inf) - np.concatenate(([0.0], t[ends[:-1]] - t[starts[:-1]])) >= 2.0
    long_after = np.concatenate((t[starts[1:]], [t[-1]])) - t[ends] >= 10.5
    large = np.abs(amps[ends] - amps[starts]) >= 9.0
    steps = np.flatnonzero(long_before & long_after & large)
    rows = []
    for k in steps[np.linspace(0, steps.size - 1, min(most, steps.size)).astype(int)]:
        a, b = starts[k], ends[k]
        moment = 0.5 * (t[a] + t[b])
        until = int(np.searchsorted(t, moment + 11.0))
        other = solve(t[:until], np.where(np.arange(until) <= a, amps[:until], amps[a]), soc)
        at = moment + np.array([0.5, 2.0, 10.0])
        change = np.interp(at, t[:until], other) - np.interp(at, t, volts)
        rows.append(np.concatenate(([moment, amps[a], amps[b]], change)))
    return list(np.array(rows).T)


def charge(soc: float, to: float, usable_ah: float, amps: float = 15.0) -> tuple[np.ndarray, np.ndarray]:
    """Twenty minutes of rest, constant current, then a taper as a charger at constant voltage would give."""
    t_cc = (to - soc) * usable_ah / amps * 3600
    t = np.arange(0.0, 1200 + t_cc + 1800, 1.0)
    taper = amps * np.exp(-(t - 1200 - t_cc) / 400)
    return t, -np.where(t < 1200, 0.0, np.where(t < 1200 + t_cc, amps, np.where(taper > 0.9, taper, 0.0)))


def trip(usable: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A charge from 40 % to full, a ride with braking down to about a quarter, and the charge that puts it all back.

    Returns t (s, every second), current (A) and state of charge (1, by counting the current).
    """
    first = charge(0.40, 0.945, usable)[1]
    first = first[: int(np.flatnonzero(first)[-1]) + 1]
    taper = first[first > first.min()][1200:]
    rng = np.random.default_rng(8)
    levels = np.clip(rng.normal(18, 18, 400), -18, 55)
    levels[:40] = np.abs(levels[:40])  # no pack takes its brake's current while it is full
    road = np.convolve(np.repeat(levels, rng.integers(6, 25, levels.size)), np.ones(3) / 3, mode="same")
    road = road[: int(np.argmax(np.cumsum(road) / 3600 > 0.73 * usable))]
    seconds = round((road.sum() + taper.sum()) / -first.min())
    back = np.concatenate((np.full(seconds, first.min()), taper))
    amps = np.concatenate((first, np.zeros(900), road, np.zeros(1800), back, np.zeros(900)))
    soc = 0.40 - np.concatenate(([0.0], np.cumsum(0.5 * (amps[1:] + amps[:-1])))) / 3600 / usable
    return np.arange(amps.size, dtype=float), amps, soc


def write(path: Path, header: list[str], columns: list[np.ndarray]) -> None:
    part = path.with_suffix(".part")
    with part.open("w", newline="") as stream:
        out = csv.writer(stream)
        out.writerow(header)
        out.writerows(np.column_stack(columns).round(6).tolist())
    part.replace(path)  # a file of this name is whole
    print(f"{path}: {columns[0].size} rows")


def main(folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    usable = usable_ah()
    tables: dict[str, Callable[[], None]] = {
        "ocv": lambda: write_ocv(folder),
        "pulse": lambda: write_pulse(folder, usable),
        "train": lambda: write_train(folder),
        "ride": lambda: write_ride(folder),
        "bench": lambda: write_bench(folder, usable),
        "by_temp": lambda: write_by_temp(folder, usable),
        "charge": lambda: write_charge(folder, usable),
        "leak": lambda: write_leak(folder, usable),
        "string": lambda: write_string(folder, usable),
        "trip": lambda: write_trip(folder, usable),
        "spans": lambda: write_spans(folder, usable),
    }
    for name, make in tables.items():
        if not (folder / f"{name}.csv").is_file() or (name == "ride" and not (folder / "steps.csv").is_file()):
            make()


def write_ocv(folder: Path) -> None:
    grid = np.concatenate([np.arange(0, 0.2, 0.01), np.arange(0.2, 1.0001, 0.02)])
    write(folder / "ocv.csv", ["soc", "volts"], [grid, np.array([rest_v(s) for s in grid])])


def write_pulse(folder: Path, usable: float) -> None:
    t = np.arange(0.0, 12.0, 0.05)
    on = t >= 1.0
    write(
        folder / "pulse.csv",
        ["t", "v20", "v60", "usable_ah"],
        [t, *(solve(t, np.where(on, a, 0.0), 0.5) for a in (20.0, 60.0)), np.full(t.size, usable)],
    )


def write_train(folder: Path) -> None:
    t = np.arange(0.0, 900.0, 0.1)
    train = np.where((t % 60 >= 40) & (t % 60 < 52), 40.0, 0.0)  # 12 s pulses out of 48 s of rest
    write(folder / "train.csv", ["t", "amps", "v"], [t, train, solve(t, train, 0.6)])


def write_bench(folder: Path, usable: float) -> None:
    """Pulses out of rest at three charges, 30 A out and 15 A in, 12 s each; between them 15 A down."""
    parts, socs, soc = [], [], 0.80
    for stop in (0.55, 0.30, 0.30):
        pulses = [(0.0, 120.0), (30.0, 12.0), (0.0, 60.0), (-15.0, 12.0), (0.0, 300.0)]
        down = [(15.0, (soc - stop) * usable / 15.0 * 3600.0), (0.0, 1500.0)] if soc > stop else []
        parts += [np.full(round(seconds / 0.25), amps) for amps, seconds in pulses + down]
        socs.append(soc)
        soc = stop
    amps = np.concatenate(parts)
    t = np.arange(amps.size) * 0.25
    write(folder / "bench.csv", ["t", "amps", "v"], [t, amps, solve(t, amps, socs[0])])


def write_by_temp(folder: Path, usable: float) -> None:
    """From full down to 80, 50 and 20 %; at each of them the same pulses out of rest, at 0, 25 and 40 degC in turn."""
    pulses = [(0.0, 120.0), (30.0, 12.0), (0.0, 60.0), (-15.0, 12.0), (0.0, 300.0)]
    pieces, soc = [], 1.0  # seconds and amperes each: every 10 s on the way down, four times a second at the pulses
    for stop in (0.8, 0.5, 0.2):
        down = np.full(round((soc - stop) * usable / 15.0 * 360.0), 15.0)
        pieces.append((10.0, np.concatenate((down, np.zeros(150)))))
        pieces.append((0.25, np.concatenate([np.full(round(s / 0.25), a) for a, s in pulses])))
        soc = stop
    steps = np.concatenate([np.full(amps.size, dt) for dt, amps in pieces])
    amps, ends = np.concatenate([amps for _, amps in pieces]), np.cumsum([amps.size for _, amps in pieces])[:-1]
    t = np.cumsum(steps) - steps[0]
    volts = {c: np.split(solve(t, amps, 1.0, celsius=c), ends) for c in TEMPS_C}
    rows = [
        np.column_stack([np.full(piece.size, dt), piece, volts[c][k], np.full(piece.size, c)])
        for k, (dt, piece) in enumerate(pieces)
        for c in (TEMPS_C if k % 2 else (25.0,))
    ]
    seconds, amps, v, temp = np.vstack(rows).T
    write(folder / "by_temp.csv", ["t", "amps", "v", "temp"], [np.cumsum(seconds) - seconds[0], amps, v, temp])


def write_ride(folder: Path) -> None:
    t, amps = ride(2400, 14.0, 3)
    cells = {"base": (0.75, 0.0), "weak": (0.75, 0.0009), "low": (0.72, 0.0)}
    solved = [solve(t, amps, *c) for c in cells.values()]
    write(folder / "ride.csv", ["t", "amps", *cells], [t, amps, *solved])
    header = ["t0", "before_a", "after_a", "dv_0.5s", "dv_2s", "dv_10s"]
    write(folder / "steps.csv", header, without_steps(t, amps, solved[0], 0.75))


def write_charge(folder: Path, usable: float) -> None:
    t, amps = charge(0.06, 0.943, usable)
    names = {"base": 0.06, "minus1": 0.05, "minus3": 0.03, "plus2": 0.08}
    write(folder / "charge.csv", ["t", "amps", *names], [t, amps, *(solve(t, amps, s) for s in names.values())])


def write_leak(folder: Path, usable: float) -> None:
    t, amps = charge(0.40, 0.955, usable)
    days = np.arange(0, 12, 2)
    leak = [solve(t, amps, 0.40 - LEAK_PCT_PER_DAY / 100 * 30 / usable * d) for d in days]
    write(
        folder / "leak.csv", ["t", "amps", "base", *(f"day{d}" for d in days)], [t, amps, solve(t, amps, 0.40), *leak]
    )


def write_string(folder: Path, usable: float) -> None:
    """A charge of eight groups from about 40 to 85 %: shares of capacity and of charge that they hold more are in the
    first two rows, the groups' voltages follow. Group 7 has lost cells, group 8 holds less charge."""
    share = np.array([1.0, 0.99, 1.01, 1.0, 0.985, 1.005, 0.82, 1.0])
    more = np.array([0.0, 0.008, -0.006, 0.004, -0.003, 0.0, 0.0, -0.05])
    t, amps = charge(0.40, 0.85, usable, amps=8.0)
    kept = slice(None, None, 5)
    groups = [
        solve(t, amps / c, 1.0 - 0.6 / c + d)[kept] for c, d in zip(share, more, strict=True)
    ]  # all level when full, but for what they hold more
    columns = [np.concatenate(([c, d], v)) for c, d, v in zip(share, more, groups, strict=True)]
    head = [np.concatenate(([0.0, 0.0], x[kept])) for x in (t, amps)]
    write(folder / "string.csv", ["t", "amps", *(f"v{k}" for k in range(1, 9))], [*head, *columns])


def write_spans(folder: Path, usable: float) -> None:
    """Charges to the charge at which the rested cell is full, from five begins at three rates, one below the other."""
    rows: list[list[np.ndarray]] = []
    for begin in (0.05, 0.12, 0.2, 0.3, 0.45):
        for rate in (0.15, 0.3, 0.6):
            t = np.arange(0.0, (1.0 - begin) / rate * 3600.0 + 1.0, 20.0)
            amps = np.full(t.size, -rate * usable)
            rows.append([np.full(t.size, begin), t, amps, solve(t, amps, begin)])
    write(
        folder / "spans.csv",
        ["begin", "t", "amps", "v"],
        [np.concatenate(column) for column in zip(*rows, strict=True)],
    )


def write_trip(folder: Path, usable: float) -> None:
    t, amps, soc = trip(usable)
    write(folder / "trip.csv", ["t", "amps", "soc", "v"], [t, amps, soc, solve(t, amps, 0.40)])


def usable_ah() -> float:
    """Ah of one group between the set's own cut-offs at rest, 2.0 and 3.6 V."""
    values = pybamm.ParameterValues("Prada2013")
    parameters = pybamm.LithiumIonParameters()
    x0, x1, _, _ = pybamm.lithium_ion.get_min_max_stoichiometries(values)
    return float(values.evaluate(parameters.n.Q_init) * (x1 - x0)) * PARALLEL


def rest_v(soc: float) -> float:
    values = pybamm.ParameterValues("Prada2013")
    parameters = pybamm.LithiumIonParameters()
    x, y = pybamm.lithium_ion.get_initial_stoichiometries(soc, values)
    kelvin = values["Reference temperature [K]"]
    return float(values.evaluate(parameters.p.prim.U(y, kelvin)) - values.evaluate(parameters.n.prim.U(x, kelvin)))


if __name__ == "__main__":
    main(Path(sys.argv[1] if len(sys.argv) > 1 else "build/physics"))
