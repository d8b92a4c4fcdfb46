"""What judging leaves out of a record is nothing that a rule, or a test of a cause, asks for."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

import herdbook.pipeline as pipeline
from herdbook.pipeline.health.examples import days, record
from herdbook.pipeline.health.reading import event_table, metric_rows
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.health.unread import BY_OUR_RULES
from herdbook.pipeline.metrics import all_sets

READS_RECORDS = re.compile("metric_rows|event_table|kept_record")  # in files of other rooms that ask records
LEAST_LETTERS = 4  # of a word put together: "{a}_{b}" could be anything, and is told by the record when it asks


def _sources() -> Iterator[ast.AST]:
    root = Path(pipeline.__path__[0])
    judging = [path for path in sorted((root / "health").rglob("*.py")) if path.name != "unread.py"]
    for path in (*judging, *sorted((root / "herd").rglob("*.py"))):
        text = path.read_text("utf-8")
        if path in judging or READS_RECORDS.search(text):
            yield ast.parse(text)


def _words() -> tuple[set[str], list[re.Pattern[str]]]:
    """Every word that the code has, and patterns of those it puts together."""
    words: set[str] = set()
    patterns = []
    for node in (node for tree in _sources() for node in ast.walk(tree)):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            words |= {node.value, *node.value.split()}
        elif isinstance(node, ast.JoinedStr):
            fixed = [str(v.value) if isinstance(v, ast.Constant) else "" for v in node.values]
            if len("".join(fixed)) >= LEAST_LETTERS:
                patterns.append(re.compile(".*".join(re.escape(word) for word in fixed)))
    return words, patterns


@pytest.mark.parametrize("kept", ["metrics", "events"])
def test_no_code_that_reads_records_names_what_is_left_out(kept: str) -> None:
    words, patterns = _words()
    names = getattr(BY_OUR_RULES, kept)
    assert names
    asked = {n for n in names if n in words or any(p.fullmatch(n) for p in patterns)}
    assert asked == set()


def test_what_is_left_out_is_measured_and_needed_by_no_rule() -> None:
    given = {name for one in all_sets().values() for name in one.gives}
    assert given >= BY_OUR_RULES.metrics
    needed = {name for rule in all_rules().values() for name in rule.needs}
    assert not needed & BY_OUR_RULES.metrics
    assert {"cell_r_ratio", "pack_run_ah"} <= _words()[0], "the words of the code are not found"


def test_a_record_tells_who_asks_for_what_it_does_not_hold() -> None:
    one = replace(record(*days(2, "ride")), left_out=BY_OUR_RULES)
    with pytest.raises(LookupError, match="left out"):
        metric_rows(one, "margin_share")
    with pytest.raises(LookupError, match="left out"):
        event_table(one, "least_margin")
    assert metric_rows(one, "cell_r_ratio").height == 0
