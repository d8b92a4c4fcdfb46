"""Studies of the line from tests of units: what is used, what is left out, what is not enough to say."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from herdbook.pipeline.bench.study.in_control import AS_GIVEN, among_all, line_charts
from herdbook.pipeline.bench.study.in_subgroups import group_charts
from herdbook.pipeline.bench.study.keeps_limits import limit_study
from herdbook.pipeline.bench.study.measured import Measured, by_item, from_csv
from herdbook.pipeline.bench.study.repeats import repeat_study
from herdbook.pipeline.errors import InputError, NotKnownError
from herdbook.pipeline.science.gauge import crossed
from herdbook.pipeline.science.gauge_unbalanced import MOST_CELLS

DAY = datetime(2026, 3, 2, 8)


def one_test(
    vehicle: str, value: float, *, who: str = "mara", line: str = "A", hour: float = 0.0, item: str = ""
) -> Measured:
    return Measured(vehicle, "weight", item, value, "kg", DAY + timedelta(hours=hour), line, who)


def written(folder: Path, text: str) -> Path:
    path = folder / "tests.csv"
    path.write_text(text, "utf-8")
    return path


def test_a_table_is_read_with_its_times_and_units(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        "\ufeffvehicle;figure;value;item;unit;time;line;who\n"
        "ZB-1;weight;7,25;;kg;2026-03-02 14:30;A;mara\n"
        "ZB-2;weight;7,5;;kg;2026-03-02T16:30+02:00;;\nZB-2;other;1;;;;;\n",
    )
    one, two = from_csv(path, "weight")
    assert (one.value, one.unit, one.t, one.line, one.who) == (7.25, "kg", datetime(2026, 3, 2, 14, 30), "A", "mara")
    assert (two.value, two.t, two.who) == (7.5, datetime(2026, 3, 2, 14, 30), "")


@pytest.mark.parametrize(
    ("text", "where", "said"),
    [
        ("vehicle,figure\nZB-1,weight\n", "", "has no column 'value'"),
        ("vehicle,figure,value\n", "", "holds no row"),
        ("vehicle,figure,value\nZB-1,weight,7\nZB-2,weight,heavy\n", "line 3", "'heavy' is no number"),
        ("vehicle,figure,value\nZB-1,weight,nan\n", "line 2", "no finite number"),
        ("vehicle,figure,value,time\nZB-1,weight,7,3/2/26\n", "line 2", "time '3/2/26' is none"),
        ("vehicle,figure,value\n,weight,7\n", "line 2", "vehicle is empty"),
    ],
)
def test_a_bad_table_is_told_with_its_line(text: str, where: str, said: str, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=said) as told:
        from_csv(written(tmp_path, text), "weight")
    assert where in str(told.value)


def test_an_unknown_figure_or_item_names_the_nearest(tmp_path: Path) -> None:
    path = written(tmp_path, "vehicle,figure,value\nZB-1,weight,7\n")
    with pytest.raises(NotKnownError, match=r"Did you mean weight\?"):
        from_csv(path, "wieght")
    with pytest.raises(InputError, match="cannot be read"):
        from_csv(tmp_path / "none.csv", "weight")
    with pytest.raises(NotKnownError, match="item '9'"):
        by_item([one_test("a", 1.0, item="1")], "9")


def test_one_figure_in_two_units_is_refused() -> None:
    rows = [one_test("a", 1.0), Measured("b", "weight", "", 1000.0, "g", None, "", "")]
    with pytest.raises(InputError, match="come in 'g' and 'kg'"):
        by_item(rows)


def test_items_stand_in_the_order_of_their_numbers() -> None:
    rows = [one_test("a", 1.0, item=i) for i in ("10", "left", "2")]
    assert list(by_item(rows)) == ["2", "10", "left"]


def test_every_test_of_a_unit_that_was_tested_again_counts() -> None:
    """Four units by two persons twice; one of them once more, one by a third person; a fifth unit by one person alone,
    a sixth once."""
    rng = np.random.default_rng(2)
    rows = [
        one_test(f"u{u}", u + rng.normal(0, 0.1), who=who, hour=10 * u + k)
        for u in range(4)
        for who in ("mara", "jon")
        for k in range(2)
    ]
    even = repeat_study("", by_item(rows)[""], "who", None)
    assert (even.tests, even.balanced) == ("4×2×2", True)
    assert even.gauge is not None
    assert even.gauge.gauge == crossed(even.values.reshape(4, 2, 2)).gauge
    extra = [one_test("u0", 0.1, hour=99), one_test("u9", 5.0), one_test("u9", 5.1), one_test("u1", 1.0, who="ute")]
    found = repeat_study("", by_item([*rows, *extra, one_test("u8", 3.0)])[""], "who", None)
    assert found.units == ("u0", "u1", "u2", "u3", "u9")
    assert found.persons == ("jon", "mara", "ute")
    assert (found.tests, found.balanced, found.ranges) == ("20 of 5×3", False, None)
    assert found.gauge is not None
    assert found.gauge.repeatability.value**0.5 == pytest.approx(0.1, rel=0.5)
    assert any("1 of 21 tests is left out" in line for line in found.told)
    assert any("Henderson's method 3" in line for line in found.told)


def test_units_tested_once_are_not_enough_to_say() -> None:
    found = repeat_study("", [one_test(f"u{k}", k) for k in range(9)], "who", None)
    assert found.gauge is None
    assert "not enough to say: no two units were tested twice by the same person" in found.lacking


def test_persons_each_with_a_unit_of_their_own_are_not_enough_to_say() -> None:
    """Units and persons are one then: nothing tells the one's share from the other's."""
    rows = [one_test(unit, k, who=who) for unit, who in (("a", "mara"), ("b", "jon")) for k in range(2)]
    found = repeat_study("", rows, "who", None)
    assert found.gauge is None
    assert found.lacking == "not enough to say: no person tested two units, so that the two cannot be told apart"


def test_a_line_that_tests_every_unit_twice_may_be_long() -> None:
    rng = np.random.default_rng(5)
    rows = [one_test(f"u{u}", u + rng.normal(0, 0.1)) for u in range(MOST_CELLS + 1) for _ in range(2)]
    even = repeat_study("", rows, "who", None)
    assert even.gauge is not None
    assert even.gauge.repeatability.value**0.5 == pytest.approx(0.1, rel=0.1)
    odd = repeat_study("", [*rows, one_test("u0", 0.0)], "who", None)
    assert odd.gauge is None
    assert odd.lacking.startswith(f"too many to say: {MOST_CELLS + 1} pairs of unit and person")


def test_one_person_alone_is_told() -> None:
    found = repeat_study("", [one_test(f"u{k // 2}", k) for k in range(8)], "who", None)
    assert found.gauge is not None
    assert any("One person alone (mara)" in line for line in found.told)


def series(n: int, shift_from: int = 10**9, shift: float = 0.0, line: str = "A", seed: int = 0) -> list[Measured]:
    rng = np.random.default_rng(seed)
    values = rng.normal(7, 0.1, n) + shift * (np.arange(n) >= shift_from)
    return [one_test(f"{line}{k:03d}", float(v), line=line, hour=3 * k) for k, v in enumerate(values)]


def test_groups_whose_rows_have_no_time_stand_as_given_and_that_is_said() -> None:
    rows = [replace(m, group=f"B{k // 2:02d}") for k, m in enumerate(series(60))]
    (timed,) = group_charts("", rows, "batch", 25)
    (given,) = group_charts("", [replace(m, t=None) for m in rows], "batch", 25)
    assert given.names == timed.names
    assert AS_GIVEN in given.told
    assert AS_GIVEN not in timed.told


def test_a_shift_of_the_line_is_seen_and_dated() -> None:
    (chart,) = line_charts("", series(60, shift_from=40, shift=0.3, seed=4), by_day=False)
    assert chart.about is not None
    assert chart.about.n == 30
    assert set(chart.signals) >= {"ewma", "cusum"}
    assert 36 <= int(chart.began[1:]) <= 44
    assert 40 <= int(chart.signals["ewma"][1:]) <= 50
    assert chart.p < 0.01


def test_many_series_are_not_called_unsteady_by_luck() -> None:
    """Of forty steady series many signal; among all of them none is rare."""
    found = [line_charts("", series(90, seed=100 + k), by_day=False)[0] for k in range(40)]
    assert sum(bool(c.signals) for c in found) > 8
    assert min(among_all(found)) > 0.05


def test_lines_have_charts_of_their_own_and_a_unit_counts_once() -> None:
    rows = [*series(25, line="A"), *series(30, line="B", seed=1), one_test("A000", 99.0, hour=999)]
    a, b = line_charts("", by_item(rows)[""], by_day=False)
    assert (a.line, len(a.values), b.line, len(b.values)) == ("A", 25, "B", 30)
    assert 99.0 not in a.values
    assert any("the baseline itself" in line for line in a.told)


def test_a_short_series_says_nothing() -> None:
    (chart,) = line_charts("", series(19), by_day=False)
    assert chart.found is None
    assert "not enough to say: 19 units for a baseline; 20 are needed" in chart.lacking


def test_means_of_days() -> None:
    (chart,) = line_charts("", series(240), by_day=True)  # eight a day
    assert len(chart.values) == 30  # the last day has two units alone
    assert chart.names[0] == "2026-03-02 (6 units)"
    assert any("left out (1)" in line for line in chart.told)


def test_values_that_follow_each_other_are_told() -> None:
    rng = np.random.default_rng(8)
    level, rows = 0.0, []
    for k in range(40):
        level = 0.9 * level + rng.normal(0, 0.1)
        rows.append(one_test(f"u{k:02d}", 7 + level, hour=k))
    (chart,) = line_charts("", rows, by_day=False)
    assert any("follow each other" in line for line in chart.told)


def test_capability_is_that_of_the_first_tests() -> None:
    rows = series(50, seed=3)
    found = limit_study("", [*rows, one_test("A000", 99.0, hour=999)], 6.5, 7.5)
    values = np.array([m.value for m in rows])
    assert found.found is not None
    assert found.found.cp == pytest.approx(1.0 / (6 * values.std(ddof=1)))
    assert found.outside == 0
    assert any("1 repeats left out" in line for line in found.told)


def test_few_units_and_odd_values_are_told() -> None:
    few = limit_study("", series(9), 6.0, 8.0)
    assert few.found is None
    assert "not enough to say: 9 units" in few.lacking
    rng = np.random.default_rng(1)
    skew = [one_test(f"u{k:02d}", float(v), hour=k) for k, v in enumerate(rng.exponential(1, 60))]
    told = limit_study("", skew, None, 9.0).told
    assert any("do not look normal" in line for line in told)
    alike = limit_study("", [one_test(f"u{k}", 1.0, hour=k) for k in range(12)], None, 0.0)
    assert "alike" in alike.lacking
    assert alike.outside == 12  # a limit of nought is a limit
