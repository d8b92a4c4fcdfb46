"""What a herd was at birth and is now, by type and build; expected values by hand and by scipy."""

from __future__ import annotations

import duckdb
import numpy as np
import pytest
from scipy import stats

from herdbook.pipeline.herd.since_birth import since_birth
from herdbook.pipeline.reports.herd.birth_leaf import leaf, row

BUILT = {"a": "2026-01-05", "b": "2026-01-20", "c": "2026-01-28", "d": "2026-02-03"}
NOW = {"a": 2.4, "b": 2.5, "c": 2.9, "d": None}


@pytest.fixture
def con() -> duckdb.DuckDBPyConnection:
    """Four units of three groups: 2.0, 2.1 and 2.2 mOhm at birth, the middle one's newest in NOW, error 0.05 each.
    Group 3 of c has 4.0 now. d was not measured since."""
    made = duckdb.connect()
    made.execute("CREATE TABLE vehicles (vehicle VARCHAR, profile VARCHAR, batch VARCHAR, built DATE)")
    made.execute(
        "CREATE TABLE figures_since_birth (vehicle VARCHAR, figure VARCHAR, item VARCHAR, unit VARCHAR, "
        "at_birth DOUBLE, at_birth_se DOUBLE, now DOUBLE, now_se DOUBLE, change DOUBLE, change_se DOUBLE)"
    )
    for vehicle, built in BUILT.items():
        made.execute("INSERT INTO vehicles VALUES (?, 'toy', '', ?)", [vehicle, built])
        for item, birth in (("1", 2.0), ("2", 2.1), ("3", 2.2)):
            middle = NOW[vehicle]
            now = None if middle is None else middle + birth - 2.1
            now = 4.0 if (vehicle, item) == ("c", "3") else now
            change = None if now is None else now - birth
            told = [vehicle, "resistance_10s", item, "mOhm", birth, 0.05, now, 0.05, change, 0.0707]
            made.execute("INSERT INTO figures_since_birth VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", told)
    return made


def test_a_build_has_the_mean_change_of_its_units(con: duckdb.DuckDBPyConnection) -> None:
    whole, january, february = since_birth(con)
    assert (whole.group, january.group, february.group) == ("", "2026-01", "2026-02")
    assert (january.tested, january.measured, february.tested, february.measured) == (3, 3, 1, 0)
    assert january.at_birth == pytest.approx((2.1, 2.1, 2.1))
    assert january.now == pytest.approx(2.5)
    changes = np.array([0.3, 0.4, 0.8])
    theirs = stats.ttest_1samp(changes, 0).confidence_interval(0.95)
    assert january.change == pytest.approx(changes.mean())
    assert (january.low, january.high) == pytest.approx((theirs.low, theirs.high), rel=1e-4)
    assert (february.change, february.now, february.farthest) == (None, None, None)


def test_the_unit_farthest_from_its_birth_is_named_with_its_group(con: duckdb.DuckDBPyConnection) -> None:
    whole, _, february = since_birth(con)
    assert row(whole)[-1] == "c, group 3: 2.20\u00a0mΩ at birth, 4.00\u00a0mΩ now"
    assert row(february)[4] == "not measured since"


def test_a_batch_stands_for_the_month(con: duckdb.DuckDBPyConnection) -> None:
    con.execute("UPDATE vehicles SET batch = 'B7' WHERE vehicle IN ('a', 'd')")
    assert [g.group for g in since_birth(con)] == ["", "2026-01", "B7"]


def test_without_a_test_the_page_says_so(con: duckdb.DuckDBPyConnection) -> None:
    con.execute("DELETE FROM figures_since_birth")
    [said] = leaf(con).blocks
    assert "No acceptance test is in the store" in said.text  # type: ignore[union-attr]
