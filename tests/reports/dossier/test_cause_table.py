"""The table of the demo's faults beside what pages say: a row a fault, found or not."""

from __future__ import annotations

from pathlib import Path

import pytest

from demo_logs import cause_table
from herdbook.pipeline.health.rules import all_rules
from tests.reports.conftest import fill
from tests.reports.made_up import Catalogue


def test_a_row_a_fault_with_the_cause_that_its_page_has_on_top(tmp_path: Path) -> None:
    book = Catalogue(tmp_path)
    fill(book)
    rule = all_rules()["weak_group"]
    book.finding("VX-015", rule.id, title=rule.title, item="cell 8", causes=[str(c) for c in rule.causes])
    faults = [{"name": "weak_group", "item": "8"}, {"name": "weak_group", "item": "3"}]
    found, missed = cause_table.rows(book.close(), {"vehicles": [{"vehicle": "VX-015", "faults": faults}]})
    row = dict(zip(cause_table.HEAD, found, strict=True))
    assert (row["vehicle"], row["finding"]) == ("VX-015", f"{rule.title} cell 8")
    assert row["cause at the top"] in {str(c) for c in rule.causes}
    assert row["true"] == "yes"  # aged, or dropped out: nothing on a bus tells them apart
    assert row["the sample"] == "none: a measurement tells"
    assert missed == ("VX-015", "weak_group", "not found", "", "", "", "")


def test_without_a_store_it_says_how_it_is_called(capsys: pytest.CaptureFixture[str]) -> None:
    assert cause_table.main([]) == 2
    assert "python -m demo_logs.cause_table build/demo/store" in capsys.readouterr().out
