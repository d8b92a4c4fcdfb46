"""The committed false rates: readable, complete, and with the right interval."""

from pathlib import Path

import pytest

from herdbook.pipeline.health.judged import JudgedSet, RuleCount, load, write
from herdbook.pipeline.health.rules import all_rules


def test_committed_counts_add_up_and_name_only_rules() -> None:
    judged = load()
    assert judged.seeds
    assert judged.months >= judged.sound_months > 0
    assert set(judged.rules) <= set(all_rules())
    for count in judged.rules.values():
        assert count.findings == count.named + count.beside + count.false
        assert count.false_sound <= count.false


def test_upper_end_is_the_table_value(tmp_path: Path) -> None:
    """One-sided 95 % limits of a Poisson count: 2.996 for 0 seen, 4.744 for 1, 9.154 for 4 (chi-square table, half of
    5.991, 9.488 and 18.307 at 2, 4 and 10 degrees of freedom, NIST/SEMATECH e-Handbook 1.3.6.7.4)."""
    rules = {f"r{k}": RuleCount(9, 9 - k, 0, k, 0) for k in (0, 1, 4)}
    write(JudgedSet((7,), 10, 100.0, 5, 50.0, rules), tmp_path / "judged.toml")
    judged = load(tmp_path / "judged.toml")
    for k, upper in ((0, 5.991 / 2), (1, 9.488 / 2), (4, 18.307 / 2)):
        assert judged.false_per_100_months(f"r{k}") == pytest.approx((k, upper), abs=1e-3)
    assert judged.false_per_100_months("unknown") is None
