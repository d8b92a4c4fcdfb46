"""The check of a profile against logs says when a scan would take them for nobody's, and both say the ways out."""

from __future__ import annotations

from pathlib import Path

from typer.testing import CliRunner

import tests.toy.logs as toy
from herdbook.pipeline.cli import build
from tests.toy.bench import DATA, Bench


def said(*args: str | Path) -> tuple[int, str]:
    result = CliRunner().invoke(build(), ["profile", "check", *map(str, args)])
    return result.exit_code, " ".join(result.output.split())


def test_the_check_says_that_path_and_bus_name_two_vehicles(tmp_path: Path) -> None:
    toy.write(tmp_path / "TOY-007.log", toy.day(serial=7))
    assert "A scan would refuse" not in said(DATA / "toy.toml", "--log", tmp_path)[1]
    toy.write(tmp_path / "TOY-008.log", toy.day(serial=7))
    code, words = said(DATA / "toy.toml", "--log", tmp_path)
    assert code == 8
    assert "A scan would refuse 1 of 2 logs: the path says 'TOY-008', but the bus says 'TOY-007'." in words
    for way in ("[identity] in toy.toml", "take vehicle_serial out of [roles]", "write a sidecar"):
        assert way in words


def test_a_scan_says_the_same(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    toy.write(bench.inbox / "TOY-008.log", toy.day(serial=7))
    bench.scan()
    assert "the path says 'TOY-008', but the bus says 'TOY-007'" in str(bench.reasons())


def test_a_description_of_a_bus_in_the_inbox_is_no_log(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    toy.write(bench.inbox / "TOY-007.log", toy.stretch(toy.T0, 20))
    (bench.inbox / "toy.dbc").write_bytes((DATA / "toy.dbc").read_bytes())
    done = bench.scan()
    assert (done.logs_new, done.quarantined, bench.reasons()) == (1, 0, {})
    assert "1 file is no log by its name" in done.inbox.in_words()
