"""A run of motor and drive on the stand, all its channels on one clock and an even grid."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.bench.dynamometer.records import Logged, is_bus_log, profile_of, read_log
from herdbook.pipeline.bench.dynamometer.sheet import Sheet
from herdbook.pipeline.bench.dynamometer.table import Table, read_table
from herdbook.pipeline.errors import InputError
from herdbook.pipeline.science.clock_offset import Aligned, ClocksDifferError, align
from herdbook.pipeline.science.heat import Bins
from herdbook.pipeline.science.robust_fit import median
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.signals import Series

STEP_S = 0.1
HELD_S = {"winding": 15.0, "ambient": 60.0}  # samples of a slow channel lie so far apart at most; of others a second
HELD = 1.0
TOGETHER = (("speed", "speed"), ("torque", "motor_current"), ("current", "current"), ("torque", "current"))
CORE = ("speed", "torque", "current", "voltage", "motor_current")  # the run lasts while all of them are recorded
MOST_STEPS = 2_000_000


@dataclass(frozen=True, slots=True)
class DriveRecord:
    """t_s (n,): seconds from the start, STEP_S apart. channels: by name of CHANNELS, (n,), NaN where nothing was
    recorded. aligned: how the table's clock lies to the log's, late_s: how much later than the log the table
    begins; None where there is one clock. by: what aligned them. own: channels of the stand's own instrument."""

    t_s: Floats
    channels: dict[str, Floats]
    aligned: Aligned | None
    late_s: float
    by: str
    own: frozenset[str]
    profile: Profile | None
    motor: str
    told: tuple[str, ...]

    def has(self, *names: str) -> bool:
        return all(name in self.channels and bool(np.isfinite(self.channels[name]).any()) for name in names)


def drive_record(sheet: Sheet) -> DriveRecord:
    """Raises: InputError when nothing usable is named, or the clocks cannot be aligned."""
    profile, told = profile_of(sheet), list[str]()
    log_path, table_path = sheet.file("log"), sheet.file("table")
    columns, motor = sheet.table("columns"), sheet.text("motor", "")
    if log_path is not None and not is_bus_log(log_path):
        raise InputError("is an instrument's table", log_path, 'Name it as table = "..." in the sheet')
    if log_path is None and table_path is None:
        raise sheet.wrong("log", "is missing, and so is table", 'Name log = "...", table = "...", or both')
    logged: dict[str, Series] = {}
    if log_path is not None:
        log = read_log(log_path, profile)
        motor = _motor(log, motor)
        logged = _of_log(log, motor, told)
    own: dict[str, Series] = {}
    aligned, late_s, by = None, 0.0, ""
    if table_path is not None:
        table = read_table(table_path, {key: columns.text(key) for key in columns.raw})
        own = _of_table(table, sheet)
        told += [f"{table_path.name}: {n} fields of {name} are no numbers." for name, n in table.bad.items()]
        if logged:
            aligned, by = _aligned(logged, own, table_path)
            own = {name: _moved(s, aligned) for name, s in own.items()}
            late_s = (min(int(s.t[0]) for s in own.values()) - min(int(s.t[0]) for s in logged.values())) / 1e6
    else:
        for key in ("arm_m", "torque_sign"):
            sheet.has(key)
    channels = logged | own
    if twice := sorted(set(logged) & set(own)):
        told.append(f"Of {', '.join(twice)} the stand's own instrument counts; the log's served to align the clocks.")
    t_s, even = gridded(channels, sheet.path)
    return DriveRecord(t_s, even, aligned, late_s, by, frozenset(own), profile, motor, tuple(told))


def _motor(log: Logged, motor: str) -> str:
    """The motor whose roles are read."""
    here = [str(i) for i in log.signals.items("motor_speed") if len(log.known("motor_speed", i))]
    if motor and motor not in here:
        raise InputError(f"the log has no speed of a motor {motor!r}", log.path, f"It has: {', '.join(here) or 'none'}")
    if not motor and len(here) > 1:
        do = f'Say which was on the stand: motor = "{here[0]}"'
        raise InputError(f"the log has {len(here)} motors: {', '.join(here)}", log.path, do)
    return motor or (here[0] if here else "")


def _of_log(log: Logged, motor: str, told: list[str]) -> dict[str, Series]:
    volts = log.known("dc_link_voltage", motor)
    if not len(volts):
        volts = log.known("pack_voltage")
    found = {
        "speed": log.known("motor_speed", motor),
        "motor_current": log.known("motor_current", motor),
        "current": log.known("pack_current"),
        "voltage": volts,
        "winding": log.known("motor_temp", motor),
        "ambient": log.known("ambient_temp"),
    }
    if len(found["current"]):
        told.append("Input is the pack's current; what else draws on it counts as loss, less other_w where given.")
    return {name: s for name, s in found.items() if len(s)}


def _of_table(table: Table, sheet: Sheet) -> dict[str, Series]:
    """Channels of the instrument; force on a lever as torque, torque in our sign."""
    found = dict(table.channels)
    arm = sheet.number("arm_m", "m", 0.01, 10.0, 0.0) if sheet.has("arm_m") else 0.0
    sign = sheet.number("torque_sign", "1 or -1", -1.0, 1.0, 1.0)
    if sign not in (1.0, -1.0):
        raise sheet.wrong("torque_sign", f"is {sign:g}, and must be 1 or -1")
    if "force" in found and "torque" not in found:
        if not arm:
            raise sheet.wrong("arm_m", "is missing: the table has a force, and torque is force times arm")
        found["torque"] = Series(found["force"].t, found["force"].v * arm)
    found.pop("force", None)
    if "torque" in found:
        found["torque"] = Series(found["torque"].t, sign * found["torque"].v)
    return found


def _aligned(logged: dict[str, Series], own: dict[str, Series], path: Path) -> tuple[Aligned, str]:
    """By the first pair that both have. Raises: InputError with the reason of each that failed."""
    why = []
    for mine, theirs in TOGETHER:
        if mine in own and theirs in logged:
            a, b = _known(logged[theirs]), _known(own[mine])
            if len(a) < 20 or len(b) < 20:
                continue
            base = int(a.t[0])
            at = " and ".join(dict.fromkeys([mine, theirs])).replace("_", " ")
            try:
                found = align((a.t - base) / 1e6, a.v, b.t / 1e6, b.v)
            except ClocksDifferError as error:
                why.append(f"by {at}: {error}")
                continue
            return replace(found, offset_s=found.offset_s + base / 1e6), at
    if not why:
        do = "Record speed in the table too, or torque beside the log's motor current"
        raise InputError("log and table share no quantity that would align their clocks", path, do)
    do = "Begin the run with some uneven steps of speed or torque that both record, and check signs"
    raise InputError(f"its clock cannot be aligned with the log's: {'; '.join(why)}", path, do)


def _known(s: Series) -> Series:
    good = np.isfinite(s.v)
    return Series(s.t[good], s.v[good])


def _moved(s: Series, aligned: Aligned) -> Series:
    """On the clock of the log; whole microseconds, the large offset added as an integer."""
    whole = round(aligned.offset_s)
    t_s = s.t / 1e6
    fine = (aligned.offset_s - whole) + aligned.drift * (t_s - aligned.middle_s)
    return Series(s.t + whole * 1_000_000 + np.round(fine * 1e6).astype(np.int64), s.v)


def gridded(channels: dict[str, Series], path: Path) -> tuple[Floats, dict[str, Floats]]:
    """Means over steps while all that matters was recorded; a step without a sample lies between two near ones."""
    known = {name: _known(s) for name, s in channels.items()}
    known = {name: s for name, s in known.items() if len(s) > 1}
    fast = [s for name, s in known.items() if name in CORE]
    if not fast:
        raise InputError(
            "neither speed nor torque nor a current was recorded", path, "Record speed, torque and currents"
        )
    start, end = max(int(s.t[0]) for s in fast), min(int(s.t[-1]) for s in fast)
    n = int((end - start) / (STEP_S * 1e6))
    if n < 50:
        raise InputError("its records overlap for less than 5 s", path, "Name log and table of the same run")
    if n > MOST_STEPS:
        raise InputError(f"the run is longer than {MOST_STEPS * STEP_S / 3600:.0f} h", path, "Cut it")
    edges = start + (np.arange(n) * STEP_S * 1e6).astype(np.int64)
    out = {name: _stepped(s, edges, name) for name, s in known.items()}
    return np.asarray((np.arange(n) + 0.5) * STEP_S), out


def _stepped(s: Series, edges: Times, name: str) -> Floats:
    means = Bins.at(s.t, int(edges[0]), STEP_S, edges.size).means(s.v)
    empty = np.flatnonzero(np.isnan(means))
    if empty.size:
        usual = median(np.diff(s.t[:20000])) / 1e6
        held = HELD_S.get(name, max(HELD, 2.5 * usual))
        at = edges[empty] + int(0.5e6 * STEP_S)
        after = np.clip(np.searchsorted(s.t, at), 1, s.t.size - 1)
        near = (s.t[after] - s.t[after - 1] <= held * 1e6) & (at >= s.t[0]) & (at <= s.t[-1])
        means[empty] = np.where(near, np.interp(at, s.t, s.v), np.nan)
    return means
