"""What the braking rules share: the table of judged brakings, example brakings, cautions."""

from __future__ import annotations

import polars as pl

from herdbook.pipeline.health.examples import record, stretch
from herdbook.pipeline.health.reading import event_table, recent
from herdbook.pipeline.health.rule import Record
from herdbook.pipeline.vehicle.record import Event, Metric

PARTS = ("slow", "ceiling", "full", "cold", "hot", "unreasoned", "undelivered")
EXPLAINED = ("slow", "ceiling", "full", "cold", "hot")
KEYS = (
    "demand_pct",
    "demand_a",
    "allowed_a",
    "delivered_a",
    "charge_limit_a",
    "ratio",
    "settled_s",
    "short_a",
    "response_s",
    "soc_pct",
    "cell_max_v",
    "cell_min_c",
    "cell_max_c",
    "speed_start_ms",
    "asymmetry",
    "left_a",
    "right_a",
    "dropout_s",
    "dropout_allowed_a",
    "dropout_share",
    "pack_v_max",
    "link_v_max",
    "link_rise_v",
    "pack_over_s",
    "link_over_s",
    "since_open_s",
    *(f"short_{p}_a" for p in PARTS),
)
LEAST_SETTLED_S = 0.2
DAYS = 30.0  # what is older has been looked at, or mended: engineering choice
NEWEST = 60  # brakings behind a middle: fresh enough to show what began lately: engineering choice
LEAST_DEMAND_A = 3.0
OPEN_S = 15.0  # after the switch opened: it may take so long to come back: engineering choice
LET_GO_S = 0.2  # as for the rule on drop-outs: shorter could be one lost frame

CAUTION = (
    "Electric braking may be missing or one-sided: do not ride until a qualified person has inspected the brakes. "
    "Software cannot clear a brake fault, and local rules come first.",
    "A logged deceleration is no brake test: load, slope and road are not known.",
)


def table(record: Record, most: int | None = None) -> pl.DataFrame:
    """Brakings of the last thirty days, the newest `most`; a column per key in KEYS (null where unknown)."""
    return recent(event_table(record, "braking", KEYS), DAYS, most)


def judged(record: Record) -> pl.DataFrame:
    """Brakings whose delivery can be judged: demand large enough and steady long enough, away from walking
    pace."""
    return record.once("judged brakings", lambda: _judged(table(record)))


def _judged(brakings: pl.DataFrame) -> pl.DataFrame:
    return brakings.filter(
        pl.col("settled_s") >= LEAST_SETTLED_S,
        pl.col("demand_a") >= LEAST_DEMAND_A,
        pl.col("delivered_a").is_not_null(),
        pl.col("short_slow_a").fill_null(0.0) < 0.2 * pl.col("demand_a"),
    )


def held(record: Record, brakings: pl.DataFrame) -> pl.DataFrame:
    """Without those in which the brake answered and then let go (dropped out, neither refused nor weak), and those
    beside an opening of the pack's main switch, under load or not: it leaves braking current no place to go."""
    kept = brakings.filter(
        pl.col("dropout_s").fill_null(0.0) < LET_GO_S,
        pl.col("since_open_s").is_null() | (pl.col("since_open_s") > OPEN_S),
    )
    opened = event_table(record, "contactor_opened_loaded").select(opened_t="start_t").sort("opened_t")
    if not opened.height or not kept.height:
        return kept
    kept = kept.sort("start_t").join_asof(opened, left_on="end_t", right_on="opened_t", check_sortedness=False)
    beside = (pl.col("start_t") - pl.col("opened_t")).dt.total_seconds() <= OPEN_S
    return kept.filter(~beside.fill_null(False)).drop("opened_t")


def braked(*brakings: dict[str, float]) -> Record:
    """One ride of brakings two minutes apart, two seconds each: 20 A asked and given, unless said otherwise.

    NaN stands for a key the event does not have.
    """
    usual = {
        "demand_pct": 50.0,
        "demand_a": 20.0,
        "allowed_a": 40.0,
        "delivered_a": 20.0,
        "ratio": 1.0,
        "settled_s": 1.5,
        "short_a": 0.0,
        "soc_pct": 60.0,
        "cell_min_c": 20.0,
        "speed_start_ms": 6.0,
        "response_s": 0.15,
    } | {f"short_{p}_a": 0.0 for p in PARTS}
    events = []
    for i, braking in enumerate(brakings, start=1):
        data = {k: v for k, v in (usual | braking).items() if v == v}
        events.append(Event("braking", i * 120_000_000, i * 120_000_000 + 2_000_000, "", data))
    names = ("braking_count", "braking_judged_count", "braking_sided_count")
    counted = [Metric(name, len(events), "1") for name in names]
    return record(stretch(0, "ride", *counted, *events, hours=0.1 + len(events) / 30))


def refused(part: str, given: float = 0.0, **more: float) -> dict[str, float]:
    """A braking of twenty amperes asked, `given` delivered, the shortfall of one cause."""
    short = max(20.0 - given - 1.6, 0.0)
    return {"delivered_a": given, "ratio": given / 20.0, "short_a": short, f"short_{part}_a": short} | more


def accounted(record: Record) -> pl.DataFrame:
    """Judged brakings that held, with `unexplained_a` where it is known."""
    return record.once(
        "accounted brakings", lambda: with_unexplained(held(record, judged(record))).drop_nulls("unexplained_a")
    )


def with_unexplained(brakings: pl.DataFrame) -> pl.DataFrame:
    """Adds `unexplained_a`: the shortfall that nothing known explains; null where the pack's state is not
    known, since a full or cold pack nobody recorded may be the reason. What was allowed and yet not delivered
    needs no state."""
    charge_known = pl.col("soc_pct").is_not_null() | pl.col("cell_max_v").is_not_null()
    known = charge_known & pl.col("cell_min_c").is_not_null()
    withheld, undelivered = (
        pl.col("short_unreasoned_a").fill_null(0.0),
        pl.col("short_undelivered_a").fill_null(0.0),
    )
    blind = ~known & (withheld > 0.1 * pl.col("demand_a"))
    return brakings.with_columns(unexplained_a=pl.when(blind).then(None).otherwise(withheld + undelivered))


def by_whom(hit: pl.DataFrame) -> str:
    """Where the missing current was lost, in words, from the sums over the brakings hit."""
    withheld = float(hit["short_unreasoned_a"].fill_null(0.0).sum())
    undelivered = float(hit["short_undelivered_a"].fill_null(0.0).sum())
    if undelivered >= withheld:
        return "the limits allowed it, the drive did not deliver it"
    bms = hit.filter(pl.col("charge_limit_a") < 0.5 * pl.col("demand_a")).height
    who = "the battery management system" if bms > 0.5 * hit.height else "a limiter"
    return f"{who} withheld it, though the pack was neither full nor cold nor hot"
