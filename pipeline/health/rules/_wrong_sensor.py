"""Two signs of a temperature sensor that is wrong: it keeps one reading from day to day, or it stands apart from its
siblings at rest and under load alike."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from herdbook.pipeline.health.reading import metric_rows, seconds, windows
from herdbook.pipeline.health.rule import Finding, Record
from herdbook.pipeline.health.sentences import counted, spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.since import newest_stretch
from herdbook.pipeline.health.statistics import middle

ROLE_OF = {
    "cell": "cell_temp",
    "motor": "motor_temp",
    "fet": "fet_temp",
    "board": "bms_temp",
    "air": "ambient_temp",
}
# That a winding should warm by, before a sensor that shows nothing of it stands still (engineering choice).
MOVES_K = 3.0
LEAST_SE_K = 0.1  # of how far a sensor stands apart: engineering choice


def still(record: Record, item: str, limits: Mapping[str, float]) -> Finding | None:
    """One and the same reading from day to day, to the last step, while its siblings went on moving."""
    family = item.split(" ", maxsplit=1)[0]
    if family not in ("cell", "motor", "fet"):
        return None
    low, high = (
        metric_rows(record, f"temp_{word}_c").select("start_t", "end_t", "item", word=pl.col("value"))
        for word in ("lowest", "highest")
    )
    every = low.join(high.rename({"word": "highest"}), on=["start_t", "end_t", "item"]).rename({"word": "lowest"})
    own = every.filter(pl.col("item") == item).sort("start_t")
    if not own.height:
        return None
    value = float(own["lowest"][-1])
    same = (((own["lowest"] - value).abs() < 1e-6) & ((own["highest"] - value).abs() < 1e-6)).to_numpy()
    moved = np.flatnonzero(~same)
    rows = own.slice(int(moved[-1]) + 1 if moved.size else 0)
    siblings = every.filter(pl.col("item").str.starts_with(family), pl.col("item") != item)
    lone = not siblings.height
    if lone:
        slow = pl.col("item").is_in(["board", "air"])
        siblings = every.filter(slow if family == "cell" else pl.col("item") != item)
    siblings = siblings.filter(pl.col("start_t").is_in(rows["start_t"].implode()))
    if not rows.height or not siblings.height:
        return None
    readings = np.unique(np.round(np.concatenate([siblings["lowest"].to_numpy(), siblings["highest"].to_numpy()]), 3))
    step = float(np.diff(readings).min()) if readings.size > 1 else 0.0
    if lone and family == "cell":
        if rows.height < limits["lone_sessions"]:
            return None
        went = _from_day_to_day(siblings)
    else:
        ranges = siblings.group_by("item").agg(went=pl.col("highest").max() - pl.col("lowest").min())
        went = float(ranges["went"].sort()[(ranges.height - 1) // 2])  # one place alone may warm: half of them
    if went < max(limits["went"], limits["went_steps"] * step):
        return None
    return Finding(
        severity=Severity.SERVICE,
        item=item,
        measured=0.0,
        limit=limits["moved"],
        unit="1",
        statement=f"Sensor {item} read {spell(value, 'degC')} and nothing else in its last "
        f"{counted(rows.height, 'session')}, while {'the rest of the vehicle' if lone else 'its siblings'} went over "
        f"{spell(went, 'K')}: frozen.",
        confidence=0.97,
        persistence=rows.height / own.height,
        count=rows.height,
        duration_s=seconds(rows),
        windows=windows(rows, "lowest"),
        signals=(ROLE_OF[family],),
        not_separable="Sensor, plug or wire: its resistance at the plug, cold, separates them.",
    )


def _from_day_to_day(others: pl.DataFrame) -> float:
    """How far the coldest readings of board and air went from session to session, by the one that went least.

    Within a session they tell nothing of a pack: a board of a few grams warms by its own losses and the air changes at
    the door, while kilograms of cells keep their degree. From day to day the pack has come to what both of them say."""
    coldest = others.group_by("item").agg(went=pl.col("lowest").max() - pl.col("lowest").min())
    return float(coldest["went"].to_numpy().min())


def apart(record: Record, item: str, limits: Mapping[str, float]) -> Finding | None:
    """A cell sensor that stands apart from its siblings at rest and under load, session by session."""
    rows = metric_rows(record, "temp_apart_least_k", item).sort("start_t")
    rows = rows.with_columns(session_start_t="start_t")
    best = None
    for sign in (1.0, -1.0):
        sure = sign * rows["value"] - 2.0 * rows["se"].fill_null(0.0) >= limits["offset"]
        since = newest_stretch(rows, sure.to_numpy(), limits["by_chance"])
        if since.hit.height and (best is None or since.chance < best[0]):
            best = since.chance, sign, since.rows, since.hit
    if best is None:
        return None
    chance, sign, since_rows, hit = best
    if rows.height == 1:
        usual = metric_rows(record, "temp_apart_k", item)["value"]
        least = abs(float(rows["value"][0]))
        steady = usual.len() == 1 and least >= 0.75 * abs(float(usual[0]))
        chance = 0.05 if steady and least >= limits["offset"] + limits["alone"] else 1.0
    if chance > 0.05 or hit.height < 0.8 * since_rows.height:
        return None
    value, se = _how_far(hit, limits["offset"])
    side = "above" if sign > 0 else "below"
    return Finding(
        severity=Severity.SERVICE,
        item=item,
        measured=value,
        limit=sign * limits["offset"],
        unit="K",
        statement=f"In {hit.height} of its last {counted(since_rows.height, 'session')} sensor {item} read at least "
        f"{spell(abs(value), 'K', se)} {side} its siblings, at rest and under load alike.",
        se=se,
        confidence=min(0.98, 1.0 - chance),
        persistence=hit.height / since_rows.height,
        count=hit.height,
        duration_s=seconds(hit),
        windows=windows(hit.with_columns(size=pl.col("value").abs()), "size"),
        signals=(ROLE_OF["cell"],),
        not_separable="A sensor that reads wrong or a place that is warmer: a thermometer on the spot after a night's "
        "rest separates them.",
    )


def _how_far(hit: pl.DataFrame, offset: float) -> tuple[float, float]:
    """How far a sensor stands apart, K, and the standard error. hit: sessions each of which surely shows it past
    `offset`. Of two or three that differ much the middle is known so badly (15.7 +- 64 K of 9 and 22) that its error
    reaches back there: then the session that shows least counts, by itself."""
    mid = middle(hit["value"], least_se=LEAST_SE_K)
    if abs(mid.value) - mid.se >= offset:
        return mid.value, mid.se
    value, se = hit.sort(pl.col("value").abs()).select("value", pl.col("se").fill_null(0.0)).row(0)
    return float(value), max(float(se), LEAST_SE_K)


def beside_its_twin(record: Record, rows: pl.DataFrame, item: str) -> pl.DataFrame:
    """Sessions that show whether a winding's sensor stands still. A twin that is known to warm many times as much is no
    yardstick until it has warmed so many times as far: until then the winding itself would not move a sound sensor."""
    hotter = metric_rows(record, "winding_side_ratio").filter(pl.col("item") != item.removeprefix("motor "))
    times = hotter["value"].median()
    if not isinstance(times, float):
        return rows
    twin = pl.col("item").str.starts_with("motor ") & (pl.col("item") != item)
    low = metric_rows(record, "temp_lowest_c").filter(twin).select("start_t", "item", low="value")
    high = metric_rows(record, "temp_highest_c").filter(twin).select("start_t", "item", high="value")
    went = (
        low.join(high, on=["start_t", "item"]).group_by("start_t").agg(went=(pl.col("high") - pl.col("low")).median())
    )
    shown = went.filter(pl.col("went") >= times * MOVES_K)["start_t"]
    return rows.filter(pl.col("start_t").is_in(shown.implode()))


def as_measured(name: str, value: float) -> str:
    """What a metric of a sensor says, in words."""
    if name == "temp_jumps":
        return f"{spell(value, 'jumps')} a session"
    if name == "temp_moved_share":
        return f"{spell(100 * value, '%')} of their movement"
    return f"{spell(100 * value, '%')} of the time"


def beside_one(record: Record) -> bool:
    """Whether there are two cell sensors."""
    items = metric_rows(record, "temp_missing_share")["item"]
    return items.filter(items.str.starts_with("cell")).n_unique() == 2


def right_of_two(record: Record) -> set[str]:
    """Of two cell sensors, the one that agrees better with the rest of the vehicle is not the wrong one."""
    rows = metric_rows(record, "temp_third_k")
    off = rows.group_by("item").agg(off=pl.col("value").abs().median()).sort("off")
    return set(off["item"].to_list()[:1]) if off.height == 2 else set()
