"""Ledger counts of counters and checksums as metric rows."""

from __future__ import annotations

from datetime import datetime

import polars as pl
import pytest

from herdbook.pipeline.metrics.messages import SET, message_rows
from herdbook.pipeline.vehicle.record import METRICS


def test_shares_by_hand() -> None:
    """100 frames and 25 missing: 20 %; 3 + 2 counter errors: 5 %; a message without checksum gives no checksum row."""
    t = datetime(2026, 3, 2, 8)
    names = ["message", "frames", "start_t", "end_t", "missed", "counter_gaps", "counter_repeats", "checksum_failures"]
    table = [("A", 100, t, t, 25, 3, 2, 1), ("B", 100, t, t, 0, None, None, None), ("C", 3, t, t, 0, 0, 0, 3)]
    rows = message_rows(pl.DataFrame(table, schema=names, orient="row"))
    assert rows.schema == METRICS
    found = {(name, item): value for name, item, value in rows.select("name", "item", "value").iter_rows()}
    assert found == pytest.approx(
        {
            ("message_missed_share", "A"): 0.2,
            ("message_missed_share", "B"): 0.0,
            ("message_counter_share", "A"): 0.05,
            ("message_checksum_share", "A"): 0.01,
        }
    )
    assert {name for name, _ in found} == set(SET.gives)


def test_no_messages_give_an_empty_table() -> None:
    t = datetime(2026, 3, 2, 8)
    names = ["message", "frames", "start_t", "end_t", "missed", "counter_gaps", "counter_repeats", "checksum_failures"]
    table = pl.DataFrame([("A", 100, t, t, 0, 0, 0, 0)], schema=names, orient="row").clear()
    assert message_rows(table).schema == METRICS
