"""What every metric set must have, so that one new file is all it takes: each lack is named in so many words."""

from __future__ import annotations

import ast
import sys
from functools import cache
from pathlib import Path

import pytest

from herdbook.pipeline.metrics import all_sets
from herdbook.pipeline.metrics.set import MetricSet
from herdbook.pipeline.vehicle.roles import ROLES

TESTS = Path(__file__).parents[1]
KINDS = {"ride", "charge", "rest", "bench"}
SETS = list(all_sets().values())
each = pytest.mark.parametrize("found", SETS, ids=[s.id for s in SETS])


def place(found: MetricSet) -> str:
    return found.compute.__module__.rpartition(".")[2]


@cache
def imported_by_tests() -> set[str]:
    """Metric modules that a test holds to known answers, as told by `from herdbook.pipeline.metrics import belt`."""
    names = set()
    for path in TESTS.rglob("test_*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("herdbook.pipeline.metrics"):
                names |= {node.module.rpartition(".")[2], *(alias.name for alias in node.names)}
    return names


@each
def test_a_set_is_named_as_its_file(found: MetricSet) -> None:
    assert found.id == place(found), f"pipeline/metrics/{place(found)}.py: write id={place(found)!r}, as its file"


@each
def test_a_set_says_in_its_docstring_what_it_measures(found: MetricSet) -> None:
    said = sys.modules[found.compute.__module__].__doc__
    assert said, f"pipeline/metrics/{found.id}.py has no docstring: say what is measured, how, and what it cannot tell"


@each
def test_a_set_names_every_metric_with_unit_and_meaning(found: MetricSet) -> None:
    assert found.gives, f"metric set {found.id} gives nothing: name its metrics in `gives`"
    for name, (unit, meaning) in found.gives.items():
        assert unit, f"metric {name} of {found.id} has no unit; a count has the unit 1"
        assert len(meaning) > 3, f"metric {name} of {found.id} has no meaning: say in a few words what the number is"


@each
def test_a_set_says_where_its_method_is_from(found: MetricSet) -> None:
    assert found.source, (
        f"metric set {found.id} has no source: a publication, physics in a line, or `definitions: here`"
    )


@each
def test_a_set_needs_roles_and_kinds_of_session_that_there_are(found: MetricSet) -> None:
    assert set(found.needs) <= set(ROLES), f"metric set {found.id} needs unknown roles: {set(found.needs) - set(ROLES)}"
    by_log = found.id == "messages"  # counted while decoding, from the ledger and not from a session
    assert found.kinds or by_log, f"metric set {found.id} applies to no kind of session"
    assert set(found.kinds) <= KINDS, f"metric set {found.id}: kinds are {sorted(KINDS)}"
    assert found.version >= 1, f"metric set {found.id}: versions count from 1"


@each
def test_a_set_has_a_test_of_its_own(found: MetricSet) -> None:
    why = f"metric set {found.id} has no test of its own: hold it to a known answer in tests/metrics/test_{found.id}.py"
    assert place(found) in imported_by_tests(), why


def test_no_metric_is_measured_by_two_sets() -> None:
    owner: dict[str, str] = {}
    for found in SETS:
        for name in found.gives:
            if name.startswith("margin_"):
                continue  # least margins are one family of names, told apart by item
            assert name not in owner, f"metric {name} is given by {owner[name]} and by {found.id}: keep one"
            owner[name] = found.id
