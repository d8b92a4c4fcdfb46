"""What goes to Prefect's pages is Markdown; names and texts from logs must stay text in it."""

from __future__ import annotations

import pytest

from herdbook.flows.night.pages import in_words, inert


@pytest.mark.parametrize(
    "hostile",
    [
        "<script>alert(1)</script>",
        "[press](javascript:alert(1))",
        "![x](http://host/pixel)",
        "# heading",
        "a | b | c",
        "`code`",
        "**bold** _it_",
        "line\n\n# another",
        "&lt;b&gt;",
    ],
)
def test_hostile_text_renders_as_itself(hostile: str) -> None:
    """Every character with a meaning in Markdown or HTML is behind an escape or a character reference."""
    escaped = inert(hostile)
    assert "\n" not in escaped
    assert "<" not in escaped
    assert ">" not in escaped
    bare = escaped.replace("&#60;", "").replace("&#62;", "").replace("&#38;", "")
    for i, c in enumerate(bare):
        if c in "`*_{}[]()#+-.!|~":
            assert bare[i - 1] == "\\"


def test_the_page_names_stop_use_first() -> None:
    result = {
        "headline": "h",
        "stop_use": [{"vehicle": "a", "title": "t", "item": "", "statement": "s"}],
        "quarantined": [{"log": "x", "reason": "empty"}],
        "failed": [],
        "not_assessed": [{"vehicle": "b", "reason": "its part is damaged"}],
        "waiting": [],
        "messages": [],
        "numbers": {"logs_new": 1},
    }
    page = in_words(result)
    assert page.index("Stop use") < page.index("In quarantine") < page.index("Numbers")
    assert "Do not ride or charge until" in page
