"""What surrounds a command may be odd: outputs that are closed or speak ASCII only, names, zones and years. Never a
traceback, never exit code 70."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import tests.toy.logs as toy
from herdbook.pipeline.intake.clock import start_from_name
from herdbook.pipeline.reports.words.numbers import zone_of
from tests.lake.far import ROOT, herdbook
from tests.toy.bench import DATA, Bench

VERBS = (("fleet",), ("quarantine",), ("query", "SELECT '±' AS a"))


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    made = Bench(tmp_path_factory.mktemp("odd"))
    toy.write(made.inbox / "a.log", toy.day())
    toy.write(made.inbox / "TOY-008" / "ä±.bin", ["no log"])
    made.scan()
    return made


def in_shell(command: str, bench: Bench, **more: str) -> subprocess.CompletedProcess[str]:
    env = os.environ | {"PYTHONPATH": str(ROOT), "HERDBOOK_STORE": str(bench.store.folder)} | more
    line = command.replace("herdbook", f"{sys.executable} -m herdbook.flows.cli")
    done = subprocess.run(["bash", "-c", line], cwd=ROOT, env=env, capture_output=True, text=True, check=False)
    assert "Traceback" not in done.stderr
    assert "fault of Herdbook" not in done.stderr, done.stderr
    return done


@pytest.mark.parametrize("verb", VERBS, ids=" ".join)
def test_closed_and_ascii_outputs(bench: Bench, verb: tuple[str, ...]) -> None:
    words = " ".join(f"'{w}'" if " " in w else w for w in verb).replace("'SELECT '±' AS a'", "\"SELECT '±' AS a\"")
    for command in (f"herdbook {words} >&-", f"herdbook {words} 2>&-", f"herdbook {words} >&- 2>&-"):
        assert in_shell(command, bench).returncode == 0
    said = in_shell(f"herdbook {words}", bench, PYTHONIOENCODING="ascii")
    assert said.returncode == 0
    assert said.stdout.isascii()


@pytest.mark.parametrize("name", ["what?", "a\\b", "line\nbreak"])
def test_a_store_whose_name_the_database_would_misread_is_refused(bench: Bench, tmp_path: Path, name: str) -> None:
    """DuckDB takes what follows a ? for options, and a backslash for a folder: another file would be opened."""
    for arguments in (("scan", str(bench.inbox), "--profiles", str(DATA)), ("store", "show")):
        said = herdbook(*arguments, "--store", str(tmp_path / name))
        assert (said.returncode, "a store cannot lie in a folder with" in " ".join(said.stderr.split())) == (5, True)
    assert not any(tmp_path.iterdir())


@pytest.mark.parametrize("share", [0.0, 0.01, 0.6])
@pytest.mark.parametrize("name", ["catalogue.duckdb", "fleet.duckdb"])
def test_a_file_that_was_cut_is_told(bench: Bench, tmp_path: Path, name: str, share: float) -> None:
    folder = tmp_path / "store"
    shutil.copytree(bench.store.folder, folder)
    whole = (folder / name).read_bytes()
    (folder / name).chmod(0o640)
    (folder / name).write_bytes(whole[: int(len(whole) * share)])
    for verb in (("query", "SELECT sum(value), count(*) FROM metrics"), ("history", "TOY-007", "--out", str(tmp_path))):
        said = herdbook(*verb, "--store", str(folder))
        assert said.returncode in (0, 5), (verb, said.stderr)  # 0: what was read lies before the cut


def test_a_zone_that_is_none(tmp_path: Path) -> None:
    """Folders of the zone database among them."""
    bench = Bench(tmp_path)
    zones = ["Europe", "../../etc/passwd", "/etc", "", "x" * 300]
    for n, zone in enumerate(zones):
        toy.write(bench.inbox / f"{n}.log", toy.stretch(toy.T0 + n * 10**9, 5))
        (bench.inbox / f"{n}.log.toml").write_text(f'zone = "{zone}"\n')
        assert zone_of(zone) is None
    bench.scan()
    assert len(bench.reasons()) == len(zones)
    assert all("sidecar is wrong" in said for said in bench.reasons().values())


@pytest.mark.parametrize(
    "arguments",
    [
        *(
            ("wires", "TOY-007", "pack_current", "--until", "0001-01-01"),
            ("wires", "TOY-007", "pack_current", "--since", "9999-12-31"),
        ),
        *(("history", "TOY-007", "--as-of", "0001-01-01"), ("history", "TOY-007", "--as-of", "9999-12-31")),
        ("mute", "TOY-007", "cold_charging", "--until", "9999-12-31", "--by", "x", "--why", "y"),
    ],
    ids=" ".join,
)
def test_the_ends_of_the_calendar(bench: Bench, arguments: tuple[str, ...]) -> None:
    said = herdbook(*arguments, "--store", str(bench.store.folder))
    assert said.returncode in (0, 2, 7), said.stderr
    assert "fault of Herdbook" not in said.stderr


def test_a_log_from_the_year_one(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    log = toy.write(bench.inbox / "a.log", toy.stretch(toy.T0, 5))
    log.with_name("a.log.toml").write_text("start = 0001-01-01T00:00:00+14:00\n")
    bench.scan()
    assert "sidecar is wrong" in bench.reasons()["a.log"]
    assert start_from_name("ride_0001-01-01T00-00-00+1400.log", "UTC") is None
