"""Thirty nights in a row, each with a poisoned log: every night ends in order, and what good logs say is as without."""

from __future__ import annotations

import gzip
import os
import random
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

import tests.toy.logs as toy
from herdbook.flows.request import Request
from herdbook.flows.without_prefect import run_plain
from herdbook.pipeline.night.progress import silent
from herdbook.pipeline.settings import NightSettings
from herdbook.pipeline.times import DAY
from tests.toy.bench import RESULTS, Bench, answers

Poison = Callable[[Path, int], object]


def _bytes(content: bytes, name: str = "poison.log") -> Poison:
    def put(folder: Path, _: int) -> None:
        path = toy.write(folder / name, [])
        path.write_bytes(content)
        os.utime(path, (1_700_000_000, 1_700_000_000))

    return put


def _side(text: str) -> Poison:
    def put(folder: Path, t: int) -> None:
        log = toy.write(folder / "sided.log", toy.stretch(t, 5, serial=0))
        log.with_name("sided.log.toml").write_text(text)

    return put


def _lines(make: Callable[[int], list[str]]) -> Poison:
    return lambda folder, t: toy.write(folder / "poison.log", make(t))


def _named(name: bytes) -> Poison:
    def put(folder: Path, t: int) -> None:
        folder.mkdir(exist_ok=True)
        toy.write(Path(os.fsdecode(bytes(folder) + b"/" + name)), toy.stretch(t, 5))

    return put


def _link(target: str) -> Poison:
    def put(folder: Path, _: int) -> None:
        folder.mkdir(exist_ok=True)
        (folder / "link.log").symlink_to(target)

    return put


def _pipe(folder: Path, _: int) -> None:
    folder.mkdir(exist_ok=True)
    os.mkfifo(folder / "pipe.log")


WAVE = "\n".join(toy.stretch(toy.T0, 30)).encode()
POISONS: dict[str, Poison] = {
    "empty": _bytes(b""),
    "noise": _bytes(random.Random(17).randbytes(20_000)),
    "zeros": _bytes(b"\0" * 100_000),
    "text": _bytes(b"nothing of use\n" * 500),
    "an archive cut short": _bytes(gzip.compress(b"x" + WAVE)[:60], "cut.log.gz"),
    "an archive that explodes": _bytes(gzip.compress(b"\0" * 50_000_000), "bomb.log.gz"),
    "an archive in an archive": _bytes(gzip.compress(gzip.compress(WAVE)), "twice.log.gz"),
    "a head of another format": _bytes(b"LOGG" + b"\xff" * 4000, "head.blf"),
    "a head of a measurement file": _bytes(b"MDF     4.10    " + b"\xee" * 4000, "head.mf4"),
    "unknown identifiers": _lines(lambda t: [toy.frame(t + i * 1000, 0x7A0 + i % 9, b"\1\2") for i in range(400)]),
    "times that run back": _lines(lambda t: list(reversed(toy.stretch(t, 20)))),
    "times that jump all the time": _lines(
        lambda t: [toy.pack(t + (i * 7919 % 1000) * 60_000_000, 13, 0, 50, 1) for i in range(30_000)]
    ),
    "times before 1970 began": _lines(lambda _: toy.stretch(1_000_000, 5)),
    "times of another century": _lines(lambda _: toy.stretch(4_200_000_000_000_000, 5)),
    "times beyond all": _bytes(b"(99999999999999.000000) can0 100#0000000000000000\n" * 200),
    "several vehicles": _lines(lambda t: toy.stretch(t, 5, serial=1) + toy.stretch(t + 6_000_000, 5, serial=2)),
    "an unset serial": _lines(lambda t: toy.stretch(t, 5, serial=0xFFFFFFFF)),
    "a sidecar that contradicts": lambda folder, t: (
        toy.write(folder / "c.log", toy.stretch(t, 5)),
        (folder / "c.log.toml").write_text('vehicle = "OTHER-1"\n'),
    ),
    "a sidecar with a slip": _side("vehicle = "),
    "a sidecar with an unknown key": _side('vehicle = "TOY-001"\nrun = "rm"\n'),
    "a sidecar of a megabyte": _side("#" * 1_000_000),
    "a sidecar with hostile text": _side('vehicle = "\\u001b[31m"\n'),
    "a name that is no text": _named(b"caf\xe9.log"),
    "a name of 255 bytes": _named(b"x" * 251 + b".log"),
    "a folder that is no text": _named(b"\xff\xfe/x.log"),
    "a link in a circle": _link("link.log"),
    "a link to nowhere": _link("/nowhere/at/all"),
    "a link out of the inbox": _link("/etc/hostname"),
    "a pipe": _pipe,
    "lines of a megabyte": _bytes(b"(1772352000.0) can0 100#" + b"0" * 1_000_000 + b"\n"),
}


def nights(folder: Path, wanted: list[str]) -> None:
    calm, bench = Bench(folder / "calm"), Bench(folder / "shaken")
    for n, what in enumerate(wanted):
        day = toy.T0 + n * DAY
        for one in (calm, bench):
            toy.write(one.inbox / f"good-{n}.log", toy.stretch(day, 20, kmh=9, amps=-9, mode=2, serial=3))
        POISONS[what](bench.inbox / f"night-{n}", day + 60_000_000)
        request = Request("night", str(bench.inbox), str(bench.store.folder), NightSettings(workers=1))
        result = run_plain(request, silent)
        assert result["exit_code"] in (0, 10, 20, 30), what
        assert result["inbox"]["unaccounted"] == 0, what
        assert result["not_assessed"] == [], what
        bench.ask("SELECT 1")
        assert bench.ask("SELECT count(*) FROM logs WHERE name LIKE 'good-%'") == [(n + 1,)], what
    calm.scan()
    mine = {name: f"SELECT * FROM ({sql}) WHERE vehicle = 'TOY-003'" for name, sql in RESULTS.items()}
    assert answers(bench.store, mine) == answers(calm.store, mine)
    shutil.rmtree(folder / "shaken")


def test_a_few_nights(tmp_path: Path) -> None:
    nights(tmp_path, ["noise", "a name that is no text", "an archive that explodes", "a sidecar that contradicts"])


@pytest.mark.slow
def test_thirty_nights(tmp_path: Path) -> None:
    assert len(POISONS) == 30
    nights(tmp_path, list(POISONS))
