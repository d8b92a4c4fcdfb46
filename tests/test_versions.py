"""A change of what numbers mean raises a version; a move, a rename or a comment measures nothing again."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from tests.test_structure import MODULES, dotted, imports
from tests.versions import FILES, NO_RESULT, PIPELINE, files_of, now, recorded, tree_digest, unversioned


def test_nothing_changed_under_its_old_version() -> None:
    changed = unversioned(recorded(), now())
    assert not changed, f"raise the version of {changed} (or: python -m tests.versions --same-results)"


def test_the_record_names_what_there_is() -> None:
    here = {n: v for n, (v, _) in now().items()}
    assert here == {n: v for n, (v, _) in recorded().items()}, "write it anew: python -m tests.versions"


BEFORE = '''"""A module."""
from there import thing
LIMIT = 3.0
def rise(x):
    """What it does."""
    return x + LIMIT  # why
'''


@pytest.mark.parametrize(
    ("after", "same"),
    [
        (BEFORE.replace('"""A module."""', '"""Another word."""'), True),
        (BEFORE.replace("  # why", ""), True),
        (BEFORE.replace("from there", "from elsewhere"), True),
        (BEFORE.replace("x + LIMIT", "(x\n            + LIMIT)"), True),
        (BEFORE.replace("3.0", "3.1"), False),
        (BEFORE.replace("x + LIMIT", "x - LIMIT"), False),
    ],
)
def test_only_what_code_does_counts(tmp_path: Path, after: str, same: bool) -> None:
    one, two = tmp_path / "one.py", tmp_path / "two.py"
    one.write_text(BEFORE, "utf-8")
    two.write_text(after, "utf-8")
    assert (tree_digest(one) == tree_digest(two)) == same


@pytest.fixture(scope="module")
def copied(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The files that numbers depend on, to be edited."""
    folder = tmp_path_factory.mktemp("copied") / "pipeline"
    shutil.copytree(PIPELINE, folder, ignore=shutil.ignore_patterns("__pycache__", "reports", "commands", "sql"))
    return folder


@pytest.mark.parametrize(
    ("file", "number", "name"),
    [  # a number in the file, whatever it means, made larger
        ("metrics/belt.py", r"= (\d)", "metric set belt"),
        ("metrics/shared/least_margin.py", r"= (\d)", "room measuring"),
        ("science/knee.py", r"= (\d)", "room science"),
        ("assess/sessions.py", r"MOVING_MPS = (\d)", "room samples"),
        ("vehicle/units.py", r"(\d)[\d.]*,", "room samples"),
        ("health/rules/weak_group.py", r"Limit\(\"\w+\", (\d)", "rule weak_group"),
        ("health/rules/_sense_wire.py", r"LEAST_OFF_V = (\d)", "room judging"),
        ("health/scoring.py", r"SERVICE: \((\d)", "room judging"),
        ("health/pack/capacity.py", r"LONGEST_H = (\d)", "room judging"),
        ("vehicle/chemistries/lfp.toml", r"\[(\d)", "chemistry lfp"),
    ],
)
def test_another_number_under_the_same_version_is_refused(copied: Path, file: str, number: str, name: str) -> None:
    path = copied / file
    text = path.read_text("utf-8")
    at = re.search(number, text)
    assert at is not None, f"{file} has no such number any more"
    path.write_text(text[: at.start(1)] + "7" + text[at.end(1) :], "utf-8")
    try:
        assert unversioned(recorded(), now(copied)) == [name]
    finally:
        path.write_text(text, "utf-8")


def test_one_more_case_of_a_rule_needs_no_version(copied: Path) -> None:
    path = copied / "health" / "rules" / "weak_group.py"
    text = path.read_text("utf-8")
    path.write_text(text.replace("quiet_on=(", "quiet_on=(record(),", 1), "utf-8")
    assert path.read_text("utf-8") != text
    assert unversioned(recorded(), now(copied)) == []
    path.write_text(text, "utf-8")


# What a metric or a verdict passes through and does not depend on, each for a reason.
NO_PART = {
    "pipeline.errors": "words",
    "pipeline.settings": "part of a stretch's fingerprint where it matters",
    "pipeline.arrays": "names of types",
    "pipeline.operating_system": "locks and rights",
    "pipeline.times": "units of time",
    "pipeline.vehicle.profile": "its text is part of a stretch's fingerprint",
    "pipeline.vehicle.record": "columns",
    "pipeline.vehicle.bit_names": "words",
    "pipeline.vehicle.text_form": "how serials are written",
    "pipeline.vehicle.key_lines": "where a mistake stands",
    "pipeline.vehicle.problems": "words",
}


def test_whatever_a_number_rests_on_has_a_version() -> None:
    """Followed from the metric sets, the rules and the cutting of sessions along what they import at once."""
    held = {p for room in FILES for p in files_of(room)}
    path_of = {dotted(p): p for p in MODULES}
    asked = [n for n in path_of if n.startswith(("pipeline.metrics.", "pipeline.health.")) or n in START]
    reached: set[str] = set()
    while asked:
        name = asked.pop()
        if name in reached or name in NO_PART or not name.startswith("pipeline.") or name not in path_of:
            continue
        reached.add(name)
        asked += [n for n, at_once in imports(path_of[name]) if at_once]
    own = {n for n in reached if path_of[n].parent.name in ("metrics", "rules") or path_of[n].name == "__init__.py"}
    loose = {n for n in reached - own if path_of[n] not in held and path_of[n].name not in NO_RESULT}
    assert not loose, "give them to a room in tests/versions.py, or say in NO_PART why no number depends on them"


START = ("pipeline.assess.sessions",)
