"""What later readers ask of the store about births: which test is the yardstick, and what counts as a test."""

from __future__ import annotations

from datetime import timedelta

import duckdb
import pytest

from herdbook.pipeline.bench.acceptance.birth import figures_at_birth, figures_tested
from tests.night.tables import T0, catalogue, insert


def accepted(con: duckdb.DuckDBPyConnection, name: str, day: int, value: float, **more: object) -> None:
    """A test of unit a on a day after T0 that measured group 7; by other logs than any other, unless said."""
    t = T0 + timedelta(days=day)
    usual: dict[str, object] = {"vehicle": "a", "verdict": "passed", "logs": [name], "entered_t": t, "from_t": t}
    insert(con, "acceptances", acceptance=name, day=t.date(), to_t=t, line="L1", who="bench 2", **(usual | more))
    insert(
        con, "birth_figures", acceptance=name, figure="resistance_10s", item="7", value=value, unit="mOhm", se=0.1, n=9
    )


@pytest.fixture
def con() -> duckdb.DuckDBPyConnection:
    return catalogue()


def test_the_first_that_passed_is_the_yardstick(con: duckdb.DuckDBPyConnection) -> None:
    accepted(con, "first", 0, 2.9, verdict="failed")
    accepted(con, "mended", 1, 2.1)
    accepted(con, "years later", 700, 3.3)
    [birth] = figures_at_birth(con, vehicle="a")
    assert (birth.value, birth.se, birth.line, birth.who, birth.day) == (
        2.1,
        0.1,
        "L1",
        "bench 2",
        T0.date() + timedelta(1),
    )
    assert [f.value for f in figures_tested(con, figure="resistance_10s")] == [2.9, 2.1, 3.3]
    assert con.execute("SELECT value FROM figures_at_birth").fetchall() == [(2.1,)]


def test_without_a_passed_one_the_first_stands_with_its_verdict(con: duckdb.DuckDBPyConnection) -> None:
    accepted(con, "second", 1, 2.2, verdict="not decided")
    accepted(con, "first", 0, 2.9, verdict="failed")
    [birth] = figures_at_birth(con)
    assert (birth.value, birth.verdict) == (2.9, "failed")


def test_logs_that_were_judged_twice_are_one_test(con: duckdb.DuckDBPyConnection) -> None:
    accepted(con, "by plan 1", 0, 2.1)
    accepted(con, "by plan 2", 1, 2.0, logs=["by plan 1"], from_t=T0)
    assert [f.acceptance for f in figures_tested(con)] == ["by plan 2"]


def test_what_was_entered_later_was_not_known_then(con: duckdb.DuckDBPyConnection) -> None:
    accepted(con, "first", 0, 2.9, verdict="failed")
    accepted(con, "mended", 5, 2.1)
    accepted(con, "first, by a newer plan", 9, 2.8, logs=["first"], from_t=T0, verdict="failed")
    then = T0 + timedelta(days=2)
    assert [f.value for f in figures_at_birth(con, as_of=then)] == [2.9]
    assert [f.acceptance for f in figures_tested(con, as_of=then)] == ["first"]
    assert [f.value for f in figures_at_birth(con)] == [2.1]


def test_a_store_from_before_has_none(con: duckdb.DuckDBPyConnection) -> None:
    for kind, name in (("VIEW", "figures_at_birth"), ("VIEW", "figures_tested"), ("TABLE", "acceptances")):
        con.execute(f"DROP {kind} {name}")
    assert figures_tested(con) == figures_at_birth(con) == []
