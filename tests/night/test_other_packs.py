"""Of two packs side by side one is mapped: the scan, the pages and the data say that the other is not judged."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

import tests.toy.logs as toy
from herdbook.pipeline.night.messages import text
from herdbook.pipeline.night.read_changes import last_night
from herdbook.pipeline.reports.dossier.data import dossier_data
from herdbook.pipeline.reports.dossier.write import refresh_dossiers, write_dossier
from herdbook.pipeline.reports.fleet.site import write_fleet
from tests.toy.bench import DATA, Bench

VEHICLE = "TOY-007"
SAID = (
    "The pack that is mapped is judged, {} not. "
    "Map the rest too: an [[other_pack]] each, with its signals under [other_pack.roles]."
)


def told(bench: Bench) -> str:
    night = last_night(bench.store)
    assert night is not None
    return " ".join(text(night).split())


@pytest.mark.parametrize(("beside", "others"), [(2, "the other is"), (3, "the other 2 are")])
def test_the_pack_that_is_not_mapped_is_never_silently_good(tmp_path: Path, beside: int, others: str) -> None:
    bench = Bench(tmp_path, Path(shutil.copytree(DATA, tmp_path / "profiles")))
    path = tmp_path / "profiles" / "toy.toml"
    one = path.read_text("utf-8")
    path.write_text(one.replace("[pack]\n", f"[pack]\nbeside = {beside}\n", 1), "utf-8")
    toy.write(bench.inbox / "a.log", toy.day())
    bench.scan()
    assert f"the pack that is mapped is judged, {others} not" in told(bench)
    said = SAID.format(others)
    assert dossier_data(bench.store, VEHICLE)["other_packs"] == said
    assert said in write_dossier(bench.store, VEHICLE, tmp_path / "d.html").read_text("utf-8")
    write_fleet(bench.store, tmp_path / "site")
    assert said in (tmp_path / "site" / "vehicles" / f"{VEHICLE}.html").read_text("utf-8")
    refresh_dossiers(bench.store, tmp_path / "dossiers", [VEHICLE])
    bench.scan()
    assert "not judged" not in told(bench), "told once a night would be noise"

    path.write_text(one, "utf-8")  # it has one pack after all: nothing is said any more, pages of before are made anew
    bench.scan()
    assert dossier_data(bench.store, VEHICLE)["other_packs"] == ""
    assert refresh_dossiers(bench.store, tmp_path / "dossiers", [VEHICLE]) == 1
    assert "Map the rest too" not in (tmp_path / "dossiers" / f"{VEHICLE}.html").read_text("utf-8")
