"""The fleet as a table: what must not be used says so in its row, whatever its other scores are."""

from __future__ import annotations

from datetime import UTC, datetime

from herdbook.pipeline.commands.fleet import HEADS, in_the_table, nobody
from herdbook.pipeline.health.severity import SUBSYSTEMS


def shown(scores: dict[str, float], **counts: int) -> dict[str, object]:
    at = {"last_t": datetime(2026, 4, 1, tzinfo=UTC), "age_days": 0.4, "logs": 3, "profile": "p", "vehicle": "VX-1"}
    counted = {"stop_use": 0, "service": 0, "note": 0} | counts
    return dict(zip(HEADS, in_the_table(dict.fromkeys(SUBSYSTEMS) | at | scores | counted), strict=True))


def test_a_vehicle_that_must_not_be_used_says_so_beside_its_lowest_score() -> None:
    row = shown({"thermal": 100.0, "braking": 100.0, "drive": 10.2}, stop_use=1)
    assert (row["state"], row["lowest score"], row["not assessed"]) == ("Stop use", "10 drive", 5)


def test_no_score_is_no_health() -> None:
    row = shown({})
    assert (row["state"], row["lowest score"], row["not assessed"]) == ("no finding", "–", 8)


def test_a_hundred_needs_no_name() -> None:
    assert shown(dict.fromkeys(SUBSYSTEMS, 100.0))["lowest score"] == "100"
    assert shown(dict.fromkeys(SUBSYSTEMS, 100.0) | {"data": 99.2}, note=1)["lowest score"] == "99 data"


def test_an_empty_table_is_no_good_news() -> None:
    assert nobody(5) == "No vehicle is on record: 5 logs are in quarantine. Next: herdbook quarantine"
    assert "1 log is in quarantine" in nobody(1)
    assert "run a scan first" in nobody(0)
