"""On a terminal of any width every digit and every name is there."""

from __future__ import annotations

import json
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


def test_what_is_left_over_goes_to_whoever_lacks_most() -> None:
    assert screen.shared_out((2, 3, 4), (2, 10, 5), 12) == (2, 6, 4)
    assert screen.shared_out((2, 3), (4, 5), 100) == (4, 5)


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
