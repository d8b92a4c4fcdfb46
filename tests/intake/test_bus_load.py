"""Bus load from log to catalogue and page. Expected loads are counted by hand from frame lengths (ISO 11898-1)."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

import tests.toy.logs as toy
from herdbook.pipeline.errors import ProfileError
from herdbook.pipeline.reports.dossier import bus_load
from herdbook.pipeline.reports.facts import one_vehicle
from herdbook.pipeline.vehicle.profile import load_profile
from tests.toy.bench import DATA, Bench

BITS = {n: (47 + 8 * n, 55 + 10 * n) for n in range(9)}  # classic frames with 11 bits: plain, with most stuff bits


def profiles(folder: Path, bus: str = "", dbc: str = "", more: str = "") -> Path:
    shutil.copytree(DATA, folder)
    toml = folder / "toy.toml"
    toml.write_text(toml.read_text().replace('dbc = "toy.dbc"', f'dbc = "toy.dbc"\n{bus}') + more)
    with (folder / "toy.dbc").open("a") as file:
        file.write(dbc)
    return folder


def lines(seconds: int) -> list[str]:
    """Ten frames of eight bytes a second; in the third second of the log thirty more."""
    t = [toy.T0 + s * 1_000_000 + i * 100_000 for s in range(seconds) for i in range(10)]
    t += [toy.T0 + 2_000_000 + i * 10_000 + 5 for i in range(30)]
    return [toy.pack(when, 13.2, 0.0, 50.0, 1, n=i) for i, when in enumerate(sorted(t))]


def taken(bench: Bench) -> list[tuple[Any, ...]]:
    toy.write(bench.inbox / "TOY-007.log", lines(100))
    bench.scan()
    return bench.ask(
        "SELECT channel, bit_rate, frames, mean_load, mean_most, peak_load, peak_most, epoch_us(peak_t) FROM log_buses"
    )


@pytest.mark.parametrize(
    ("bus", "dbc"),
    [
        ("bit_rate = 125000", ""),
        ("", 'BA_DEF_ "Baudrate" INT 0 1000000;\nBA_ "Baudrate" 125000;\n'),
        ("bit_rate = 125000", 'BA_DEF_ "Baudrate" INT 0 1000000;\nBA_ "Baudrate" 500000;\n'),
    ],
)
def test_load_by_the_bit_rate_of_profile_or_file(tmp_path: Path, bus: str, dbc: str) -> None:
    bench = Bench(tmp_path / "bench", profiles(tmp_path / "profiles", bus, dbc))
    ((channel, rate, frames, *loads, peak_t),) = taken(bench)
    length = len(lines(1)[0].split("#")[1].strip()) // 2
    low, high = BITS[length]
    assert (channel, rate, frames, peak_t) == ("can0", 125_000, 1030, toy.T0 + 2_000_000)
    assert loads == pytest.approx(
        [1030 * low / 125e3 / 99.9, 1030 * high / 125e3 / 99.9, 40 * low / 125e3, 40 * high / 125e3]
    )


def test_without_a_bit_rate_it_is_not_assessed(bench: Bench) -> None:
    ((channel, rate, frames, *loads, _),) = taken(bench)
    assert (channel, rate, frames, loads) == ("can0", None, 1030, [None] * 4)
    with bench.store.read() as con:
        table = bus_load.blocks(con, one_vehicle(con, "TOY-007", "UTC"))[0]
    assert bus_load.NOT_ASSESSED in str(table)


def test_taking_again_after_a_change_of_rate_renews_the_load(tmp_path: Path) -> None:
    """The load follows the profile, though the part of the log is the same."""
    folder = profiles(tmp_path / "profiles", "bit_rate = 125000")
    bench = Bench(tmp_path / "bench", folder)
    ((*_, peak, _, _),) = taken(bench)
    (folder / "toy.toml").write_text((folder / "toy.toml").read_text().replace("125000", "250000"))
    toy.write(bench.inbox / "again" / "TOY-007.log", [*lines(100), toy.ident(toy.T0 + 200_000_000, 7)])
    rows = {row[1]: row for row in taken(bench)}
    assert rows[250_000][5] == pytest.approx(peak / 2)


def test_the_page_names_the_fullest_second(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "bench", profiles(tmp_path / "profiles", "bit_rate = 125000"))
    taken(bench)
    with bench.store.read() as con:
        text = str(bus_load.blocks(con, one_vehicle(con, "TOY-007", "UTC"))[0])
    assert "125" in text
    assert "TOY-007.log" in text
    assert bus_load.NOT_ASSESSED not in text


@pytest.mark.parametrize(
    ("bus", "more", "said"),
    [
        ("bit_rate = 5", "", "cannot be: bits a second"),
        ('bit_rate = "fast"', "", "cannot be: bits a second"),
        ("", '\n[protection]\nPack = { form = "sae_j1850" }\n', "also needs E2EChecksum"),
        ("", '\n[protection]\nPack = { form = "magic" }\n', "'magic' is not one of"),
        ("", '\n[protection]\nNobody = { form = "counter", counter = "N" }\n', "no message is named 'Nobody'"),
        ("", '\n[protection]\nPack = { counter = "N" }\n', "needs a form"),
        ("", '\n[protection]\nPack = { form = "counter", colour = "red" }\n', "colour = 'red' is not known"),
    ],
)
def test_what_a_profile_says_of_the_bus_is_checked(tmp_path: Path, bus: str, more: str, said: str) -> None:
    with pytest.raises(ProfileError, match=said):
        load_profile(profiles(tmp_path / "profiles", bus, more=more) / "toy.toml")


def test_take_tells_the_loads(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "bench", profiles(tmp_path / "profiles", "bit_rate = 125000"))
    toy.write(bench.inbox / "TOY-007.log", lines(10))
    command = [
        sys.executable,
        "-m",
        "herdbook.flows.cli",
        "take",
        str(bench.inbox),
        "--store",
        str(bench.store.folder),
        "--jobs",
        "1",
        "--json",
    ]
    told = json.loads(subprocess.run(command, capture_output=True, check=True).stdout)
    assert told["logs_new"] == 1
    ((name, peak),) = [(row["name"], row["peak_load"]) for row in told["buses"]]
    assert name == "TOY-007.log"
    assert peak == pytest.approx(40 * BITS[8][0] / 125e3)
