"""A lake on object storage gives what a local one gives: moto's server on loopback."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import tests.toy.logs as toy
from herdbook.pipeline.errors import StoreError
from herdbook.pipeline.lake.remote import RemoteLake
from herdbook.pipeline.reports import verify_history, write_dossier, write_history
from herdbook.pipeline.reports.signals.window import gather
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import DAY
from herdbook.pipeline.upkeep.repair import check
from tests.lake.far import WIRES, bucket, everything, files, fill, herdbook, objects
from tests.toy.bench import RESULTS, Bench, answers
from tests.toy.s3 import S3, empty_cache

pytestmark = [
    pytest.mark.server,
    pytest.mark.filterwarnings("ignore:datetime.datetime.utcnow:DeprecationWarning"),  # botocore's and moto's own
]


def test_the_same_answers_and_the_same_bytes(s3: S3, far: Bench, near: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    fill(far, near)
    fetched, fetch = [], RemoteLake._fetch

    def counted(self: RemoteLake, part: str, copy: Path) -> bool:
        found = fetch(self, part, copy)
        fetched.extend([part] * found)
        return found

    monkeypatch.setattr(RemoteLake, "_fetch", counted)
    for bench in (far, near):
        bench.scan()
        toy.write(bench.inbox / "late.log", toy.stretch(toy.T0 + DAY + 60_000_000, 20, serial=1))
        bench.scan()
    assert everything(far) == everything(near)
    assert objects(s3, far) == files(near)
    assert far.ask(WIRES) == near.ask(WIRES)
    assert fetched == []  # what we wrote ourselves is here already
    assert not (far.store.folder / "lake").exists()


def test_dossier_history_wires_and_query_from_an_empty_cache(far: Bench, near: Bench, tmp_path: Path) -> None:
    fill(far, near)
    for bench in (far, near):
        bench.scan()
    empty_cache(far.store)
    wires = [gather(b.store, "TOY-001", ["pack_voltage", "Pack.Volt"], 0, 2**61) for b in (far, near)]
    assert [(w.name, w.t.tobytes(), w.v.tobytes()) for w in wires[0]] == [
        (w.name, w.t.tobytes(), w.v.tobytes()) for w in wires[1]
    ]
    assert [w.name for w in wires[0]] == ["pack_voltage", "Pack.Volt"]
    empty_cache(far.store)
    pages = [write_dossier(b.store, "TOY-001", tmp_path / f"{i}.html") for i, b in enumerate((far, near))]
    assert pages[0].stat().st_size == pages[1].stat().st_size
    empty_cache(far.store)
    history = write_history(far.store, "TOY-001", tmp_path / "h.json", "json")
    assert verify_history(far.store, history).ok
    empty_cache(far.store)
    sql = "SELECT vehicle, count(*) AS n, max(volt) AS v FROM toy.pack GROUP BY 1 ORDER BY 1"
    said = [herdbook("query", sql, "--json", "--store", str(b.store.folder)) for b in (far, near)]
    assert said[0].returncode == 0, said[0].stderr
    assert json.loads(said[0].stdout) == json.loads(said[1].stdout)


@pytest.mark.slow
def test_several_processes_over_a_cache_that_is_too_small(far: Bench, near: Bench) -> None:
    """Workers take each other's copies away all the time."""
    fill(far, near)
    with (far.store.folder / "herdbook.toml").open("a") as file:
        file.write("[keep]\ncache_gb = 0.000015\n")
    for bench in (far, near):
        shown = herdbook("scan", str(bench.inbox), "--store", str(bench.store.folder), "--jobs", "3")
        assert shown.returncode in (0, 10, 20), shown.stderr
    kept = {k: v for k, v in RESULTS.items() if k != "vehicles"}
    assert answers(Store.open(far.store.folder), kept) == answers(near.store, kept)


def test_a_lake_moves_with_its_mark(s3: S3, near: Bench) -> None:
    fill(near)
    near.scan()
    wires, name = near.ask(WIRES), bucket(near.folder)
    s3.files.mkdir(name)
    with (near.store.folder / "herdbook.toml").open("a") as file:
        file.write(f'lake = "s3://{name}/moved"\n')
    near.store = Store.open(near.store.folder)
    with pytest.raises(StoreError, match=r"there is no \.herdbook-lake.*takes this file along"):
        near.scan()
    s3.files.put(f"{near.store.folder}/lake/", f"{name}/moved", recursive=True)
    near.scan()
    near.store.folder.joinpath("lake").rename(near.folder / "gone")
    assert near.ask(WIRES) == wires
    assert check(near.store) == []


def test_store_show_says_what_a_far_lake_holds(s3: S3, far: Bench) -> None:
    fill(far)
    far.scan()
    said = json.loads(herdbook("store", "show", "--json", "--store", str(far.store.folder)).stdout)
    held = objects(s3, far)
    assert (said["lake"], said["lake_files"], said["copies"]) == (far.store.settings.lake, len(held), 6)
    assert said["lake_bytes"] == said["part_bytes"] == said["copies_bytes"]
