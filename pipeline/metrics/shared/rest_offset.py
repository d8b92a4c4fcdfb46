"""Charge offsets at rest near empty, where the open-circuit curve is steep enough to be read as charge."""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Integers
from herdbook.pipeline.metrics.shared.steady_moments import Steady, quiet_runs
from herdbook.pipeline.vehicle.chemistry import ocv_of
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Metric

REST_C = 1 / 50
REST_S = 60.0  # after load; a session's first moments count at any length
STEEP_V = 0.008  # per 1 % of charge, as for the knees (engineering choice)
HIGHEST_PCT = 15.0
UNEVEN_V = 0.004  # how unevenly groups may still be relaxing (engineering choice)
SLOPE_SHARE = 0.5  # how wrong a table's slope may be: near empty published curves differ twofold


def rest_low(table: Steady, profile: Profile) -> list[Metric]:
    """Offsets from the lowest usable rest of the session; nothing when no rest lay on the steep part."""
    ocv = ocv_of(profile.pack)
    rated = profile.pack_figures.rated_ah
    usable = [rows for rows in quiet_runs(table, REST_C * rated) if _counts(table, rows)]
    if ocv is None or not usable:
        return []
    rows = min(usable, key=lambda r: float(np.median(table.v[r])))
    used = rows[table.t[rows] >= table.t[rows[-1]] - 60_000_000]
    volts = np.median(table.v[used], axis=0)
    noise = float(table.v[used].std(axis=0).mean()) * 1.2533 / np.sqrt(used.size)
    soc = np.interp(volts, ocv.middle_v, ocv.soc_pct)
    middle = float(np.median(soc))
    slope = float(ocv.volts(middle + 1.0) - ocv.volts(middle - 1.0)) / 2 if middle > 1 else 0.0
    if not slope >= STEEP_V or middle > HIGHEST_PCT:
        return []
    out = [Metric("bottom_slope_mv_per_pct", 1000 * slope, "mV/%", None, used.size)]
    for k, item in enumerate(table.items):
        if volts[k] < ocv.middle_v[0]:
            continue  # below the table: only a charge through the knee can tell how far
        pct = float(soc[k]) - middle
        se = float(np.hypot(np.hypot(noise, UNEVEN_V) / slope, SLOPE_SHARE * pct))
        for unit, scale in (("ah", rated / 100), ("pct", 1.0)):
            name = f"cell_offset_bottom_{unit}"
            out.append(
                Metric(
                    name,
                    scale * pct,
                    "Ah" if unit == "ah" else "%",
                    se=scale * se,
                    n=used.size,
                    coverage=1.0,
                    item=str(item),
                )
            )
    return out


def _counts(table: Steady, rows: Integers) -> bool:
    return rows[0] == 0 or float(table.t[rows[-1]] - table.t[rows[0]]) / 1e6 >= REST_S
