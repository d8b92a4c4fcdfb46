"""A store from before versions were set by hand goes on without measuring its record again."""

from __future__ import annotations

import tests.store.toylogs as toy
from pipeline.assess import assess, fingerprints_of
from pipeline.catalogue import visit
from pipeline.work import plan
from tests.store.conftest import Bench


def test_a_store_from_before_versions_is_not_measured_again(bench: Bench) -> None:
    """Its stretches carry names made from a hash over files; the measurements behind them are still as good."""
    toy.write(bench.inbox / "a.log", toy.day())
    bench.scan()
    with visit(bench.store.catalogue) as con:
        [(today,)] = con.execute("SELECT DISTINCT fingerprint FROM stretches").fetchall()
        work = plan(bench.store, ["TOY-007"])[0]
        settings = bench.store.settings
        names = fingerprints_of(work.logs, settings, {p.name: "LFP" for p in bench.store.profiles()})
        assert today in names
        assert len(names) == 2
        con.execute("UPDATE stretches SET fingerprint = ?", [names[1]])
    assert assess(bench.store, "TOY-007").stretches == ()
    with visit(bench.store.catalogue) as con:
        con.execute("UPDATE stretches SET fingerprint = 'of another measuring'")
    assert len(assess(bench.store, "TOY-007").stretches) == 1
