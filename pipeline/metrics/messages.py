"""Cadence and integrity of each message, from the ledger's counts: not from signals, which no longer show them.

The set below computes nothing from a session; it names what message_rows() gives, so that rules can ask for it.
"""

from __future__ import annotations

import polars as pl

from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Session
from herdbook.pipeline.vehicle.signals import Signals

LEAST_FRAMES = 50


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    return Outcome()


def message_rows(log_messages: pl.DataFrame) -> pl.DataFrame:
    """Metric rows, one session kind "log".

    In:  message, frames, start_t, end_t, missed, counter_gaps, counter_repeats, checksum_failures (null: not checked),
         as in the table log_messages, of one vehicle.
    Out: kind, start_t, end_t, name, item (the message), value, unit, se, n, coverage, as in Record.metrics.
    """
    rows = log_messages.filter(pl.col("frames") >= LEAST_FRAMES)
    all_sent = pl.col("frames") + pl.col("missed").fill_null(0)
    shares = {
        "message_missed_share": pl.col("missed") / all_sent,
        "message_counter_share": pl.sum_horizontal("counter_gaps", "counter_repeats", ignore_nulls=False)
        / pl.col("frames"),
        "message_checksum_share": pl.col("checksum_failures") / pl.col("frames"),
    }
    tables = [
        rows.select(
            pl.lit("log").alias("kind"),
            pl.col("start_t", "end_t").dt.cast_time_unit("us").dt.replace_time_zone("UTC"),
            pl.lit(name).alias("name"),
            pl.col("message").alias("item"),
            share.cast(pl.Float64).alias("value"),
            pl.lit("1").alias("unit"),
            pl.lit(None, pl.Float64).alias("se"),
            pl.col("frames").cast(pl.Int64).alias("n"),
            pl.lit(1.0).alias("coverage"),
        ).drop_nulls("value")
        for name, share in shares.items()
    ]
    return pl.concat(tables).sort("start_t", "name", "item", maintain_order=True)


SET = MetricSet(
    id="messages",
    subject=Subject.USE,
    needs=(),
    kinds=(),
    compute=compute,
    gives={
        "message_missed_share": ("1", "Frames missing by the declared cycle, of those that should have come."),
        "message_counter_share": ("1", "Steps of the alive counter that were skipped or repeated, of all frames."),
        "message_checksum_share": ("1", "Frames with a wrong checksum, of all frames."),
    },
    source="counted while decoding: missing from 2.5 cycles on, counter steps, checksums as the DBC declares them",
)
