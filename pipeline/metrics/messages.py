"""Cadence and integrity of each message, from the ledger's counts: not from signals, which no longer show them.

The set below computes nothing from a session; it names what message_rows() gives, so that rules can ask for it.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.row_order import in_order
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import TIME, US, Session
from herdbook.pipeline.vehicle.signals import Signals

LEAST_FRAMES = 50
COUNTS = ("frames", "missed", "counter_gaps", "counter_repeats", "checksum_failures")


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    return Outcome()


def message_rows(log_messages: pl.DataFrame) -> pl.DataFrame:
    """Metric rows, one session kind "log".

    In:  message, frames, start_t, end_t, missed, counter_gaps, counter_repeats, checksum_failures (null: not checked),
         as in the table log_messages, of one vehicle.
    Out: kind, start_t, end_t, name, item (the message), value, unit, se, n, coverage, as in Record.metrics.
    """
    enough = log_messages["frames"].to_numpy() >= LEAST_FRAMES
    rows = log_messages if enough.all() else log_messages.filter(pl.Series(enough))
    frames, missed, gaps, repeats, wrong = (rows[name].cast(pl.Float64).to_numpy() for name in COUNTS)
    all_sent = frames + np.nan_to_num(missed)
    shares = {
        "message_missed_share": missed / all_sent,
        "message_counter_share": (gaps + repeats) / frames,
        "message_checksum_share": wrong / frames,
    }
    value = np.concatenate(list(shares.values()))  # not a number where a message has no such thing
    known = np.flatnonzero(~np.isnan(value))
    at = known % max(rows.height, 1)
    start, end = (rows[name].cast(US).cast(TIME)[at] for name in ("start_t", "end_t"))
    columns = [
        pl.Series("kind", ["log"] * known.size, pl.String),
        start,
        end,
        pl.Series("name", np.repeat(list(shares), rows.height)[known].tolist(), pl.String),
        rows["message"][at].alias("item"),
        pl.Series("value", value[known]),
        pl.Series("unit", ["1"] * known.size, pl.String),
        pl.Series("se", [None] * known.size, pl.Float64),
        rows["frames"].cast(pl.Int64)[at].alias("n"),
        pl.Series("coverage", np.ones(known.size)),
    ]
    return in_order(pl.DataFrame(columns), ["start_t", "name", "item"])


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
