"""A package that only a part needs is missing: one line names the extra and what to type; everything else works."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import tests.toy.logs as toy
from herdbook.pipeline.extras import EXTRAS
from herdbook.pipeline.settings import FILE
from tests.readme import ROOT
from tests.toy.bench import Bench

BLOCKER = """
import os, sys
class Absent:
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] in os.environ["ABSENT"].split(","):
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)
sys.meta_path.insert(0, Absent())
"""
EVERYTHING = sorted(module for modules in EXTRAS.values() for module in modules)


def without(modules: list[str], tmp_path: Path, *args: str) -> subprocess.CompletedProcess[str]:
    """The command in a Python that has none of these packages, nor have the processes that it starts."""
    (tmp_path / "sitecustomize.py").write_text(BLOCKER)
    environment = os.environ | {"PYTHONPATH": str(tmp_path), "ABSENT": ",".join(modules), "COLUMNS": "1000"}
    command = [sys.executable, "-m", "herdbook.flows.cli", *args]
    return subprocess.run(command, env=environment, cwd=tmp_path, capture_output=True, text=True, check=False)


def is_one_line_about(said: subprocess.CompletedProcess[str], module: str, extra: str) -> None:
    (line,) = said.stderr.splitlines()
    assert said.returncode == 2
    assert module in line
    assert f"pip install 'herdbook[{extra}]'" in line


@pytest.fixture
def ridden(bench: Bench) -> Bench:
    toy.write(bench.inbox / "a.log", toy.stretch(toy.T0, 20))
    bench.scan()
    return bench


@pytest.mark.parametrize("verb", ["night", "serve", "backfill"])
def test_what_needs_prefect_says_so(bench: Bench, verb: str) -> None:
    args = [verb, str(bench.inbox)] if verb == "night" else [verb]
    said = without(["prefect"], bench.folder, *args, "--store", str(bench.store.folder))
    is_one_line_about(said, "prefect", "night")


def test_writing_mf4_says_so(ridden: Bench) -> None:
    store, out = str(ridden.store.folder), str(ridden.folder / "x.mf4")
    said = without(["asammdf"], ridden.folder, "wires", "TOY-007", "pack_current", "--store", store, "--out", out)
    is_one_line_about(said, "asammdf", "mf4")


def test_a_lake_on_object_storage_says_so(tmp_path: Path) -> None:
    folder = tmp_path / "store"
    folder.mkdir()
    (folder / FILE).write_text('lake = "s3://bucket/lake"\n')
    (tmp_path / "inbox").mkdir()
    said = without(["s3fs"], tmp_path, "scan", str(tmp_path / "inbox"), "--store", str(folder))
    is_one_line_about(said, "s3fs", "grow")


def test_a_cluster_says_so(bench: Bench) -> None:
    """The night itself has Prefect, and finds no Dask in the process that runs the flow."""
    with (bench.store.folder / FILE).open("a") as file:
        file.write('[night]\ndask = "local"\n')
    args = ("night", str(bench.inbox), "--store", str(bench.store.folder))
    said = without(["dask", "prefect_dask", "distributed"], bench.folder, *args)
    is_one_line_about(said, "prefect_dask", "grow")


def test_without_any_extra_the_other_verbs_do_their_work(bench: Bench) -> None:
    toy.write(bench.inbox / "a.log", toy.stretch(toy.T0, 20))
    store = ("--store", str(bench.store.folder))
    for args in (
        ("--help",),
        ("scan", str(bench.inbox), "--jobs", "1", *store),
        ("fleet", *store),
        ("dossier", "TOY-007", *store),
        ("rules",),
    ):
        said = without(EVERYTHING, bench.folder, *args)
        assert said.returncode == 0, f"{args}: {said.stderr}"
    assert bench.ask("SELECT count(*) FROM logs") == [(1,)]


def test_the_extras_are_those_of_the_package() -> None:
    """Each brings what it is named for; dask, distributed and apprise come with what is asked for."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    brought = {
        extra: {re.split(r"[^a-z0-9-]", needed.lower())[0] for needed in project["optional-dependencies"][extra]}
        for extra in EXTRAS
    }
    along = {"dask": "prefect-dask", "distributed": "prefect-dask", "apprise": "prefect"}
    for extra, modules in EXTRAS.items():
        assert {along.get(m, m.replace("_", "-")) for m in modules} <= brought[extra]
