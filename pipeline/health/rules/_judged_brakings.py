"""What the braking rules share: the table of judged brakings, who withheld what is missing, cautions."""

from __future__ import annotations

import polars as pl

from herdbook.pipeline.health.reading import event_table, having, recent
from herdbook.pipeline.health.rule import Record
from herdbook.pipeline.metrics.shared.braking_samples import least_a

PARTS = ("slow", "ceiling", "full", "cold", "hot", "unreasoned", "undelivered")
EXPLAINED = ("slow", "ceiling", "full", "cold", "hot")
KEYS = (
    "demand_pct",
    "learned",
    "demand_a",
    "allowed_a",
    "delivered_a",
    "charge_limit_a",
    "state_share",
    "ratio",
    "settled_s",
    "short_a",
    "response_s",
    "response_frame_s",
    "soc_pct",
    "cell_max_v",
    "cell_min_c",
    "cell_max_c",
    "speed_start_ms",
    "asymmetry",
    "left_a",
    "right_a",
    "front_a",
    "rear_a",
    "dropout_s",
    "dropout_allowed_a",
    "dropout_share",
    "dropout_back",
    "pulled_s",
    "barred_s",
    "pack_v_max",
    "link_v_max",
    "link_rise_v",
    "link_idle_v",
    "pack_over_s",
    "link_over_s",
    "since_open_s",
    *(f"short_{p}_a" for p in PARTS),
)
LEAST_SETTLED_S = 0.2
DAYS = 30.0  # what is older has been looked at, or mended: engineering choice
NEWEST = 60  # brakings behind a middle: fresh enough to show what began lately: engineering choice
OPEN_S = 15.0  # after the switch opened: it may take so long to come back: engineering choice
BESIDE_S = 1.0  # of a braking, to what would explain that it let go: engineering choice
LET_GO_S = 0.2  # as for the rule on drop-outs: shorter could be one lost frame

CAUTION = (
    "Electric braking may be missing or one-sided; inspecting brakes is for a qualified person. Software cannot clear "
    "a brake fault, and local rules come first.",
    "A logged deceleration is no brake test: load, slope and road are not known.",
)


def table(record: Record, most: int | None = None) -> pl.DataFrame:
    """Brakings of the last thirty days, the newest `most`; a column per key in KEYS (null where unknown)."""
    return recent(event_table(record, "braking", KEYS), DAYS, most)


def judged(record: Record) -> pl.DataFrame:
    """Brakings whose delivery can be judged: demand large enough and steady long enough, away from walking pace."""
    return record.once("judged brakings", lambda: _judged(table(record), least_a(record.profile)))


def _judged(brakings: pl.DataFrame, least: float) -> pl.DataFrame:
    return brakings.filter(
        pl.col("settled_s") >= LEAST_SETTLED_S,
        pl.col("demand_a") >= least,
        pl.col("delivered_a").is_not_null(),
        pl.col("short_slow_a").fill_null(0.0) < 0.2 * pl.col("demand_a"),
    )


def held(record: Record, brakings: pl.DataFrame) -> pl.DataFrame:
    """Without those in which the brake answered and then let go (dropped out, neither refused nor weak), and those
    beside an opening of the pack's main switch, under load or not: it leaves braking current no place to go."""
    if not brakings.height:
        return brakings
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


def without_known(record: Record, brakings: pl.DataFrame) -> pl.DataFrame:
    """Without those in which an encoder was lost, the controller restarted or the remote fell silent: the brake lets go
    then as well, and those rules name why."""
    spans = [event_table(record, kind)[["start_t", "end_t"]] for kind in ("encoder_dropout", "reset", "link_loss")]
    known = pl.concat(spans)
    if not known.height or not brakings.height:
        return brakings
    first, last = (known[c].to_physical().to_numpy() for c in ("start_t", "end_t"))
    begin, end = (brakings[c].to_physical().to_numpy() for c in ("start_t", "end_t"))
    near = round(1e6 * BESIDE_S)
    beside = ((end[:, None] >= first - near) & (begin[:, None] <= last + near)).any(axis=1)
    return brakings.filter(~pl.Series(beside, dtype=pl.Boolean))


def accounted(record: Record) -> pl.DataFrame:
    """Judged brakings that held, with `unexplained_a` where it is known."""
    return record.once(
        "accounted brakings", lambda: having(with_unexplained(held(record, judged(record))), "unexplained_a")
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


def withheld(hit: pl.DataFrame) -> bool:
    """Whether most of what is missing was not allowed: a limiter kept it back, the drive gave what it might."""
    if hit["allowed_a"].null_count() > 0.5 * hit.height:
        return False
    parts = (float(hit[f"short_{name}_a"].fill_null(0.0).sum()) for name in ("unreasoned", "undelivered"))
    kept_back, not_given = parts
    return kept_back > not_given


def by_whom(hit: pl.DataFrame) -> str:
    """Where the missing current was lost, in words, from the sums over the brakings hit."""
    if hit["allowed_a"].null_count() > 0.5 * hit.height:
        return "what the limits allowed is not recorded; the pack was neither full nor cold nor hot"
    withheld = float(hit["short_unreasoned_a"].fill_null(0.0).sum())
    undelivered = float(hit["short_undelivered_a"].fill_null(0.0).sum())
    if undelivered >= withheld:
        return "the limits allowed it, the drive did not deliver it"
    bms = hit.filter(pl.col("charge_limit_a") < 0.5 * pl.col("demand_a")).height
    who = "the battery management system" if bms > 0.5 * hit.height else "a limiter"
    return f"{who} withheld it, though the pack was neither full nor cold nor hot"
