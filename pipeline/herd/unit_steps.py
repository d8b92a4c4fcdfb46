"""Did a decode or unit change slip in? Which DBC files decoded the night's logs, and did figures step all at once?

A unit that changes at one firmware multiplies a figure by 10, 0.1, 1.609 or 3.6 on every vehicle in the same night;
wear, weather and riders do not. So for each figure the vehicles recorded both before and in the night are compared with
themselves, and a step that nearly all of them take in one direction is called out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.herd.night import Night
from herdbook.pipeline.store.statements import Row, ask

if TYPE_CHECKING:
    import duckdb

FACTOR = 1.4  # beyond this either way a figure has stepped; under the smallest usual mix-up, 1.609; engineering choice
DEGREES = 25.0  # K; degF read as degC moves 20 degC to 68; engineering choice
MOST_OF_THEM = 0.8
LEAST = 5  # vehicles
FIGURES = {  # metric: what it is; temperatures are compared by difference
    "cell_highest_v": "highest group voltage",
    "cell_lowest_v": "lowest group voltage",
    "group_r_load_mohm": "resistance of the median group",
    "pack_soc_end_pct": "state of charge at the end",
    "top_speed_kmh": "top speed",
    "cell_temp_max_c": "highest cell temperature",
    "motor_temp_max_c": "highest winding temperature",
}


@dataclass(frozen=True, slots=True)
class UnitStep:
    """One figure of one profile: middles over the n vehicles, before and in the night. moved: the share of them that
    stepped past FACTOR (or DEGREES) in one direction."""

    profile: str
    metric: str
    words: str
    unit: str
    before: float
    now: float
    n: int
    moved: float

    @property
    def alarm(self) -> bool:
        return self.n >= LEAST and self.moved >= MOST_OF_THEM


def networks(con: duckdb.DuckDBPyConnection, night: Night) -> list[Row]:
    """The DBC files (by hash) that decoded the night's logs. Rows: profile, network, logs, first_t (first received log
    decoded with it), is_new (its first night although the profile had logs before), unknown and unknown_before (share
    of frames with no message in the DBC, that night and before; None without frames)."""
    return ask(con, __name__, "night_networks", **night.window)


def steps(con: duckdb.DuckDBPyConnection, night: Night) -> list[UnitStep]:
    """Every figure that at least LEAST vehicles have both before and in the night, those that stepped first."""
    found: dict[tuple[str, str], list[Row]] = {}
    for row in ask(con, __name__, "night_steps", names=list(FIGURES), **night.window):
        found.setdefault((row["profile"], row["name"]), []).append(row)
    out = [_step(*key, rows) for key, rows in found.items() if len(rows) >= LEAST]
    return sorted(out, key=lambda s: (not s.alarm, -s.moved, s.profile, s.metric))


def _step(profile: str, metric: str, rows: list[Row]) -> UnitStep:
    before, now = (np.array([r[key] for r in rows], float) for key in ("before", "now"))
    if rows[0]["unit"] == "degC":
        up, down = now - before > DEGREES, before - now > DEGREES
    else:
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = now / before
        up, down = ratio > FACTOR, ratio < 1 / FACTOR
    moved = float(max(up.mean(), down.mean()))
    return UnitStep(
        profile=profile,
        metric=metric,
        words=FIGURES[metric],
        unit=rows[0]["unit"],
        before=float(np.median(before)),
        now=float(np.median(now)),
        n=len(rows),
        moved=moved,
    )
