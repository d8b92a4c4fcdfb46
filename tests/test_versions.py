"""A change of what numbers mean raises a version; a move, a rename or a comment measures nothing again."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.versions import now, recorded, tree_digest, unversioned


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
