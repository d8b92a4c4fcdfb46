"""What a pack's test left behind: current, voltage of each group, temperature, on the times of the current."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.bench.dynamometer.records import is_bus_log, profile_of, read_log
from herdbook.pipeline.bench.dynamometer.sheet import Sheet
from herdbook.pipeline.bench.dynamometer.table import read_table
from herdbook.pipeline.errors import InputError
from herdbook.pipeline.science.robust_fit import median
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.signals import Series

LEAST = 30  # samples
NEAR_S = 2.0  # a voltage this old still belongs to a current


@dataclass(frozen=True, slots=True)
class PackRecord:
    """t (n,): microseconds; current (n,): A, positive on discharge; pack_v (n,); groups: their numbers; group_v (n,
    groups) and temp_c (n,): interpolated, NaN where none is near. soc_pct: the reported charge at the start, NaN
    where it was not recorded."""

    t: Times
    current: Floats
    pack_v: Floats
    groups: tuple[int, ...]
    group_v: Floats
    temp_c: Floats
    soc_pct: float
    rated_ah: float
    profile: Profile | None
    told: tuple[str, ...]

    @property
    def seconds(self) -> Floats:
        return np.asarray((self.t - self.t[0]) / 1e6)


def pack_record(sheet: Sheet) -> PackRecord:
    """Raises: InputError when current or voltages are missing."""
    profile, told = profile_of(sheet), list[str]()
    names = sheet.texts("logs") or ([sheet.text("log")] if sheet.has("log") else [])
    table, columns = sheet.file("table"), sheet.table("columns")
    sign = sheet.number("current_sign", "1 or -1", -1.0, 1.0, 1.0)
    if names and table:
        raise sheet.wrong("table", "stands beside logs: one record or the other", "Name logs = [...], or table")
    if table is not None:
        found = _of_table(read_table(table, {key: columns.text(key) for key in columns.raw}).channels, sign, table)
    elif names:
        found = _of_logs(sheet, names, profile, told)
    else:
        raise sheet.wrong("logs", "is missing", 'Name logs = ["charge.log", ...], or table = "cycler.csv"')
    rated = profile.pack_figures.rated_ah if profile is not None else float("nan")
    rated = sheet.number("rated_ah", "Ah", 0.01, 5000.0, rated if rated == rated else None)
    return _together(found, rated, profile, told, sheet.path)


def _of_logs(sheet: Sheet, names: list[str], profile: Profile | None, told: list[str]) -> dict[tuple[str, int], Series]:
    pieces: dict[tuple[str, int], list[Series]] = {}
    for name in names:
        path = sheet.path.parent / name
        if not path.is_file():
            raise sheet.wrong("logs", f"names {name!r}, which is no file here", "Paths are relative to the sheet")
        if not is_bus_log(path):
            raise InputError("is an instrument's table", path, 'Name it as table = "..." in the sheet')
        log = read_log(path, profile)
        log.needed("pack_current")
        for role in ("pack_current", "pack_voltage", "pack_soc", "cell_voltage", "cell_temp"):
            for item in log.signals.items(role):
                s = log.known(role, item)
                if len(s):
                    pieces.setdefault((role, int(item) if item != "" else 0), []).append(s)
    return {key: _joined(some) for key, some in pieces.items()}


def _joined(some: list[Series]) -> Series:
    """In order of time, each time once."""
    t, v = np.concatenate([s.t for s in some]), np.concatenate([s.v for s in some])
    t, first = np.unique(t, return_index=True)
    return Series(t, v[first])


def _of_table(channels: dict[str, Series], sign: float, path: Path) -> dict[tuple[str, int], Series]:
    for name in ("current", "voltage"):
        if name not in channels:
            raise InputError(f"has no column {name}", path, f"Head it `{name} [unit]`")
    found = {("pack_voltage", 0): channels["voltage"], ("cell_voltage", 1): channels["voltage"]}
    found["pack_current", 0] = Series(channels["current"].t, sign * channels["current"].v)
    if "cell_temp" in channels:
        found["cell_temp", 1] = channels["cell_temp"]
    return {key: Series(s.t[np.isfinite(s.v)], s.v[np.isfinite(s.v)]) for key, s in found.items()}


def _together(
    found: dict[tuple[str, int], Series], rated: float, profile: Profile | None, told: list[str], path: Path
) -> PackRecord:
    current = found["pack_current", 0]
    if len(current) < LEAST:
        raise InputError(f"has {len(current)} samples of the current, too few for a test", path, "Record longer")
    groups = tuple(sorted(item for role, item in found if role == "cell_voltage"))
    if not groups:
        raise InputError("has no voltage of any group", path, "Map cell_voltage in the profile")
    volts = np.column_stack([_at(found["cell_voltage", g], current.t) for g in groups])
    if ("pack_voltage", 0) in found:
        pack_v = _at(found["pack_voltage", 0], current.t)
    else:
        pack_v = volts.sum(axis=1)
        told.append("The pack's voltage was not recorded: the sum of its groups stands for it.")
    temps = [_at(s, current.t, 120.0) for (role, _), s in found.items() if role == "cell_temp"]
    if not temps:
        told.append("No temperature was recorded.")
    temp = np.mean(temps, axis=0) if temps else np.full(len(current), np.nan)
    soc = found.get(("pack_soc", 0))
    return PackRecord(
        t=current.t,
        current=current.v,
        pack_v=pack_v,
        groups=groups,
        group_v=volts,
        temp_c=np.asarray(temp),
        soc_pct=float(soc.v[0]) if soc is not None and len(soc) else float("nan"),
        rated_ah=rated,
        profile=profile,
        told=tuple(told),
    )


def _at(s: Series, t: Times, near_s: float = NEAR_S) -> Floats:
    """Straight between samples, where the nearest is near, or as near as samples of it usually are."""
    if len(s) > 1:
        near_s = max(near_s, 0.75 * median(np.diff(s.t[:20000])) / 1e6)
    v = np.interp(t, s.t, s.v)
    k = np.clip(np.searchsorted(s.t, t), 1, max(len(s) - 1, 1))
    nearest = np.minimum(np.abs(s.t[np.minimum(k, len(s) - 1)] - t), np.abs(t - s.t[k - 1]))
    return np.where(nearest <= near_s * 1e6, v, np.nan)
