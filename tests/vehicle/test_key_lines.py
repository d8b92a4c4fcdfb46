"""A key's line is found in any TOML that people write: quoted and dotted keys, inline tables, texts over lines."""

from __future__ import annotations

import pytest

from herdbook.pipeline.vehicle.key_lines import Key, KeyLines

TEXT = '''# a comment with = and [brackets]
name = "a"   # [pack]

[pack]
cells = 12
ocv_v = [
  2.5,  # gear = 3
  3.4,
]
"odd.key" = "x = [ # y"
note = """
[drive]
gear = 1
"""
cell.deep = 1

[[bus]]
dbc = "a.dbc"
[[bus]]
dbc = 'b.dbc'
[limits]
"weak_group.look" = 1
[drive]
gear = 3.2'''


@pytest.mark.parametrize(
    ("key", "line"),
    [
        (("name",), 2),
        (("pack",), 4),
        (("pack", "cells"), 5),
        (("pack", "ocv_v"), 6),
        (("pack", "odd.key"), 10),
        (("pack", "note"), 11),
        (("pack", "cell", "deep"), 15),
        (("bus", 0, "dbc"), 18),
        (("bus", 1, "dbc"), 20),
        (("bus", 1, "rate"), 19),
        (("limits", "weak_group.look"), 22),
        (("drive", "gear"), 24),
        (("drive", "missing"), 23),
        (("nothing", "here"), None),
    ],
)
def test_the_line_of_a_key(key: Key, line: int | None) -> None:
    assert KeyLines(TEXT).of(key) == line
