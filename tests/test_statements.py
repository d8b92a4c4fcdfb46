"""What statements claim, computed again from the samples in the lake by a few lines that share nothing with metrics and
rules: the lowest voltage, how long, how often, how late, what slope. The demonstration's logs, vehicle by vehicle."""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from herdbook.pipeline.lake.read import load_signals
from herdbook.pipeline.night.scan import run_scan
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.vehicle.signals import Signals

ROOT = Path(__file__).parents[1]
S = 1_000_000
pytestmark = pytest.mark.slow
Floats = NDArray[np.float64]


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    folder = tmp_path_factory.mktemp("statements")
    inbox = folder / "inbox"
    inbox.mkdir()
    for name in ("ZB-0102", "ZB-0103", "ZB-0104", "ZB-0105", "SM-0202", "SM-0203", "dock3", "depot", "upload"):
        for log in (ROOT / "demo_logs" / "fleet").glob(f"{name}*"):
            shutil.copy2(log, inbox / log.name)  # with its age: a file just written may still grow
    store = Store.create(folder / "store", ROOT / "dbc_demo")
    done = run_scan(inbox, store, jobs=0)
    assert not done.failed
    assert done.vehicles >= 7
    return Store.open(store.folder)


def said(store: Store, vehicle: str, rule: str) -> dict[str, Any]:
    with store.read() as con:
        rows = con.execute("SELECT * FROM findings WHERE vehicle = ? AND rule = ?", [vehicle, rule])
        names = [column[0] for column in rows.description]
        [row] = rows.fetchall()
    return dict(zip(names, row, strict=True))


def sessions(store: Store, vehicle: str, kind: str = "") -> list[Signals]:
    with store.read() as con:
        query = "SELECT epoch_us(start_t), epoch_us(end_t) FROM sessions WHERE vehicle = ? AND (? = '' OR kind = ?)"
        spans = con.execute(query + " ORDER BY 1", [vehicle, kind, kind]).fetchall()
    return [load_signals(store, vehicle, a, b + 1) for a, b in spans]


def numbers(text: str) -> list[float]:
    return [float(n) for n in re.findall(r"(?<![\w.])-?\d+(?:\.\d+)?", text)]


def stretches(on: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last index of each run of true."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], on.astype(int), [0]))))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def test_a_group_below_its_limit(store: Store) -> None:
    """Lowest (median of three readings), how often, how long, and that it was charged afterwards."""
    f = said(store, "ZB-0102", "group_under_voltage")
    lowest, times, seconds = np.inf, 0, 0.0
    for signals in sessions(store, "ZB-0102"):
        s = signals.series("cell_voltage", 5)
        if len(s) < 3:
            continue
        middle = np.median(np.stack([s.v[:-2], s.v[1:-1], s.v[2:]]), axis=0)
        lowest = min(lowest, float(middle.min()))
        for a, b in stretches(s.v < 2.5):
            if b > a:
                times, seconds = times + 1, seconds + (s.t[b] - s.t[a]) / S
    assert f["measured"] == pytest.approx(lowest, abs=0.002)
    assert f["count"] == times
    assert f["duration_s"] == pytest.approx(seconds, rel=0.15)  # to the sample, or to the middle between two
    told = numbers(f["statement"])
    assert told[:4] == [5.0, pytest.approx(lowest, abs=0.006), pytest.approx(1000 * (2.5 - lowest), abs=2.0), times]


def test_a_fault_bit(store: Store) -> None:
    f = said(store, "ZB-0102", "bms_fault")
    spells, seconds, concerned = 0, 0.0, 0
    every = sessions(store, "ZB-0102")
    for signals in every:
        s = signals.series("bms_fault")
        on = (np.nan_to_num(s.v).astype(int) & 2) > 0
        spells, concerned = spells + len(stretches(on)), concerned + bool(on.any())
        seconds += sum((s.t[b] - s.t[a]) / S for a, b in stretches(on))
    assert (f["count"], f["measured"]) == (spells, concerned)
    assert f["duration_s"] == pytest.approx(seconds, rel=0.15)
    assert f"in {concerned} of {len(every)} sessions" in f["statement"]


def test_a_brake_that_lets_go(store: Store) -> None:
    """Longest time without current while it was asked for and allowed, and in how many braking events."""
    f = said(store, "ZB-0105", "regen_dropout")
    longest, events = 0.0, 0
    for signals in sessions(store, "ZB-0105", "ride"):
        s = signals.series("regen_demand")
        current = signals.at(s.t, "regen_current")
        allowed = signals.at(s.t, "regen_allowed")
        for a, b in stretches(s.v > 1.0):
            inside = slice(a, b + 1)
            asked = (s.v[inside] > 3.0) & (allowed[inside] > 3.0)
            began = np.maximum.accumulate(current[inside]) > 3.0  # it had delivered before
            gone = stretches(asked & began & (current[inside] < 0.5))
            lasted = max(((s.t[a + q] - s.t[a + p]) / S for p, q in gone), default=0.0)
            longest, events = max(longest, lasted), events + (lasted >= 0.2)
    assert f["measured"] == pytest.approx(longest, abs=0.08)
    assert f["count"] == events
    assert f"In {events} of " in f["statement"]


def test_torque_that_stays_after_the_trigger(store: Store) -> None:
    f = said(store, "SM-0205", "torque_after_release")
    lasted: list[float] = []
    for signals in sessions(store, "SM-0205", "ride"):
        trigger = signals.series("trigger")
        side = signals.items("motor_current")[0]
        motor = signals.series("motor_current", side)
        for k in np.flatnonzero((trigger.v[:-1] > 0.5) & (trigger.v[1:] < 0.5)):
            begin = trigger.t[k + 1]
            after = (motor.t >= begin) & (motor.t < begin + 5 * S)
            still = motor.v[after] > 2.0
            if still.size and still[0]:
                first_off = int(np.argmin(still)) if not still.all() else still.size - 1
                lasted.append((motor.t[after][first_off] - begin) / S)
            else:
                lasted.append(0.0)
    late = [x for x in lasted if x > 0.4]
    assert f["count"] == len(late)
    assert f["measured"] == pytest.approx(max(late), abs=0.1)
    assert f"After {len(late)} of " in f["statement"]


def test_a_brake_that_is_refused(store: Store) -> None:
    """How many events gave next to nothing of what was asked, and what a typical one asked."""
    f = said(store, "SM-0202", "regen_refused_unexplained")
    refused = 0
    for signals in sessions(store, "SM-0202", "ride"):
        s = signals.series("regen_demand")
        current = signals.at(s.t, "regen_current")
        for a, b in stretches(s.v > 1.0):
            if s.t[b] - s.t[a] > S:
                late = slice((a + b) // 2, b + 1)
                refused += float(np.nanmean(current[late])) < 0.2 * float(np.nanmean(s.v[late]))
    assert f["count"] == refused
    assert f"In {refused} of " in f["statement"]
    assert f["windows"]


def moments(store: Store, vehicle: str) -> list[tuple[Floats, Floats, Floats, list[int]]]:
    """Current, terminal and group voltages of each ride while the current was steady."""
    out = []
    for signals in sessions(store, vehicle, "ride"):
        current = signals.series("pack_current")
        groups = [i for i in signals.items("cell_voltage") if isinstance(i, int)]
        v = np.stack([signals.at(current.t, "cell_voltage", i, 0.5) for i in groups], axis=1)
        terminal = signals.at(current.t, "pack_voltage", hold_s=0.5)
        before = signals.at(current.t - 500_000, "pack_current", hold_s=0.5)
        ok = np.isfinite(v).all(axis=1) & np.isfinite(terminal) & (np.abs(current.v - before) < 1.0)
        out.append((current.v[ok], terminal[ok], v[ok], groups))
    return out


def test_a_joint_outside_the_groups(store: Store) -> None:
    f = said(store, "ZB-0104", "resistance_outside_groups")
    found = [1000 * -np.polyfit(i, terminal - v.sum(axis=1), 1)[0] for i, terminal, v, _ in moments(store, "ZB-0104")]
    mohm = float(re.search(r"lie ([\d.]+)", f["statement"])[1])  # type: ignore[index]
    assert mohm == pytest.approx(float(np.median(found)), rel=0.05)


def test_a_group_that_resists(store: Store) -> None:
    """Within three standard errors of the plain ratio of slopes."""
    f = said(store, "ZB-0103", "weak_group")
    ratios = []
    for i, _, v, groups in moments(store, "ZB-0103"):
        slopes = np.array([-np.polyfit(i, v[:, k], 1)[0] for k in range(len(groups))])
        ratios.append(slopes[groups.index(8)] / float(np.median(slopes)))
    assert abs(f["measured"] - float(np.median(ratios))) < 3 * f["se"] + 0.1
    assert f"{f['measured']:.2f} times" in f["statement"]


def test_a_wire_between_two_groups(store: Store) -> None:
    """The standard deviation that the statement calls one, and not the largest movement."""
    f = said(store, "SM-0203", "loose_sense_wire")
    found = []
    for i, _, v, groups in moments(store, "SM-0203"):
        half = 0.5 * (v[:, groups.index(6)] - v[:, groups.index(7)])
        rest = half - np.polyval(np.polyfit(i, half, 1), i)
        found.append(1000 * float(rest.std()))
    assert f["measured"] == pytest.approx(max(found), rel=0.25)
    assert f"standard deviation of {f['measured']:.0f} mV" in f["statement"]
