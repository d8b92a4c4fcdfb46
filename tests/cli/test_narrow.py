"""On a terminal of any width every digit and every name is there."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path

import pytest

import tests.toy.logs as toy
from herdbook.pipeline.commands.terminal import screen
from tests.lake.far import herdbook
from tests.toy.bench import Bench

COLUMNS = ("vehicle", "finding", "cells", "stop-use", "logs", "last log", "statement")
ROWS = [
    [
        "ZB-0105",
        "Electric brake drops out",
        100,
        1,
        1234567,
        "2026-03-20 11:14",
        "In 5 of 12 brakings it let go (1.16 s).",
    ],
    [
        "SM-0205-A",
        "Torque after release",
        13,
        0,
        4,
        "2026-03-08 10:03",
        "After 4 of 6 releases drive torque stayed on.",
    ],
]


@pytest.mark.parametrize("width", [20, 30, 40, 50, 60, 72, 80, 90, 99, 110, 140])
def test_no_name_and_no_digit_is_lost(
    width: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    screen.table("Stop use: must not be ridden", COLUMNS, ROWS, note="A good score is no proof.")
    shown = capsys.readouterr().out
    assert max(map(len, shown.splitlines())) <= width
    words = shown.replace(":", " ").split()
    for row in ROWS:
        for value in row:
            for word in screen.cell(value).replace(":", " ").split():
                assert word in words, (word, shown)


def test_the_widest_columns_give_way_and_none_below_its_least() -> None:
    assert screen.fitted([(2, 2), (3, 10), (4, 5)], 12) == (2, 5, 5)
    assert screen.fitted([(2, 2), (3, 10), (4, 12)], 16) == (2, 7, 7)
    assert screen.fitted([(2, 4), (9, 10), (4, 12)], 16) == (3, 9, 4)
    assert screen.fitted([(2, 4), (3, 5)], 100) == (4, 5)
    assert screen.fitted([(2, 4), (3, 5)], 4) == ()


@pytest.mark.parametrize("width", [80, 100, 160])
def test_no_word_and_no_time_is_broken_where_there_is_room_and_no_line_ends_in_blanks(
    width: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    rule, at = "regen_refused_unexplained", datetime(2026, 3, 20, 11, 14)
    screen.table(
        "All", ("rule", "last", "said"), [(rule, at, "It let go while it was asked for. " * 9)], note="x " * 90
    )
    screen.point("What does not fit its line goes on under its text. " * 9, "  - ")
    screen.say("A long line for people that is wrapped. " * 9, style="bold")
    shown = capsys.readouterr().out
    assert rule in shown
    assert "2026-03-20 11:14" in shown
    assert not [line for line in shown.splitlines() if line != line.rstrip()]
    assert "\n    " in shown[shown.index("  - ") :]


def test_a_list_of_a_store_on_a_narrow_terminal(tmp_path: Path) -> None:
    """And the quarantine says whose a log claims to be: by its sidecar, else by its path, else nothing is said."""
    bench = Bench(tmp_path)
    toy.write(bench.inbox / "a.log", toy.day())
    for name in ("sidecar.bin", "none.bin"):
        toy.write(bench.inbox / name, ["no log at all, and " + name])
    (bench.inbox / "sidecar.bin.toml").write_text('vehicle = "TOY-031"\n')
    bench.scan()
    store = str(bench.store.folder)
    for columns in ("40", "60"):
        shown = herdbook("fleet", "--store", store, COLUMNS=columns).stdout
        assert "TOY-007" in shown
        shown = herdbook("quarantine", "--store", store, COLUMNS=columns).stdout
        assert "TOY-031" in shown
        assert "sidecar.bin" in shown
    told = json.loads(herdbook("quarantine", "--json", "--store", store).stdout)
    assert {row["name"]: row["vehicle"] for row in told} == {"sidecar.bin": "TOY-031", "none.bin": None}
