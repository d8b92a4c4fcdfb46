"""A store from before versions were set by hand goes on without measuring its record again."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from pathlib import Path

import tests.toy.logs as toy
from herdbook.pipeline.assess.assess import assess, fingerprints_of
from herdbook.pipeline.assess.plan import LogSpans, plan
from herdbook.pipeline.store.connection import visit
from herdbook.pipeline.vehicle.profile_means import measures_by
from tests.toy.bench import DATA, Bench

# What older measurings took from the profile alone, or took another value of where it gave none.
GIVEN = """[pack]
cell_r_ea_ev = 0.28
cell_min_v = 2.5
cell_max_v = 3.65
charge_min_c = 0
charge_max_c = 50
discharge_min_c = -20
discharge_max_c = 60
"""


def test_a_store_from_before_versions_is_not_measured_again(tmp_path: Path) -> None:
    """Its stretches carry names made from a hash over files; the measurements behind them are still as good."""
    profiles = shutil.copytree(DATA, tmp_path / "profiles")
    told = (DATA / "toy.toml").read_text("utf-8").replace("[pack]", GIVEN)
    (profiles / "toy.toml").write_text(told, "utf-8")
    bench = Bench(tmp_path, profiles)
    toy.write(bench.inbox / "a.log", toy.day())
    bench.scan()
    work = plan(bench.store, ["TOY-007"])[0]
    today, *_, before = _fingerprints(bench, work.logs)
    assert set(work.stretches.values()) == {today}
    _rename(bench, before)
    assert assess(bench.store, "TOY-007").stretches == ()
    _rename(bench, "of another measuring")
    assert len(assess(bench.store, "TOY-007").stretches) == 1


def test_a_pack_whose_activation_energy_was_another_is_measured_again(bench: Bench) -> None:
    """Its profile names none: the heat of such packs took 0.28 eV before, and takes its chemistry's figure now."""
    toy.write(bench.inbox / "a.log", toy.day())
    bench.scan()
    work = plan(bench.store, ["TOY-007"])[0]
    assert len(_fingerprints(bench, work.logs)) == 2, "by meaning, and by text"


def _fingerprints(bench: Bench, logs: Sequence[LogSpans]) -> list[str]:
    profiles = {p.name: p for p in bench.store.profiles()}
    return fingerprints_of(logs, bench.store.settings, profiles, {n: measures_by(p) for n, p in profiles.items()})


def _rename(bench: Bench, name: str) -> None:
    with visit(bench.store.catalogue) as con:
        con.execute("UPDATE stretches SET fingerprint = ?", [name])
