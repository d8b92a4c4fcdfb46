"""The folder of rules is their registry: one more file is one more rule."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from herdbook.pipeline.health import rules
from herdbook.pipeline.health.engine import judge
from herdbook.pipeline.health.examples import record

NEW = "a_rule_for_this_test"
TEXT = (Path(rules.__file__).parent / "weak_group.py").read_text("utf-8")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A second folder in which rules are looked for."""
    monkeypatch.setattr(rules, "__path__", [*rules.__path__, str(tmp_path)])
    yield tmp_path
    sys.modules.pop(f"{rules.__name__}.{NEW}", None)


def every() -> dict[str, object]:
    return dict(rules.all_rules.__wrapped__())  # as a process finds them that has not looked yet


def test_one_more_file_is_one_more_rule(folder: Path) -> None:
    before = every()
    (folder / f"{NEW}.py").write_text(TEXT.replace('id="weak_group"', f'id="{NEW}"'), "utf-8")
    after = every()
    assert set(after) - set(before) == {NEW}
    assert list(after) == sorted(after)
    own = rules.all_rules.__wrapped__()[NEW]
    assert [r.rule.id for r in judge(record(), [own]).not_assessed] == [NEW]


def test_what_begins_with_an_underscore_is_shared_and_no_rule(folder: Path) -> None:
    (folder / f"_{NEW}.py").write_text("raise AssertionError('read')", "utf-8")
    assert f"_{NEW}" not in every()


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("LIMITS = ()", "ends in no RULE = Rule"),
        ("RULE = 'a rule'", "ends in no RULE = Rule"),
        (TEXT, "calls itself 'weak_group'; use the file's name"),
    ],
)
def test_a_file_that_is_no_rule_is_named(folder: Path, text: str, word: str) -> None:
    (folder / f"{NEW}.py").write_text(text, "utf-8")
    with pytest.raises(ValueError, match=word) as said:
        every()
    assert f"rules/{NEW}.py" in str(said.value)
