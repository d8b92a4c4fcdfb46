"""A store from before versions were set by hand goes on without measuring its record again."""

from __future__ import annotations

import tests.toy.logs as toy
from herdbook.pipeline.assess.assess import assess, fingerprints_of
from herdbook.pipeline.assess.plan import plan
from herdbook.pipeline.store.connection import visit
from tests.toy.bench import Bench


def test_a_store_from_before_versions_is_not_measured_again(bench: Bench) -> None:
    """Its stretches carry names made from a hash over files; the measurements behind them are still as good."""
    toy.write(bench.inbox / "a.log", toy.day())
    bench.scan()
    work = plan(bench.store, ["TOY-007"])[0]
    chemistry = {p.name: "LFP" for p in bench.store.profiles()}
    today, before = fingerprints_of(work.logs, bench.store.settings, chemistry)
    assert set(work.stretches.values()) == {today}
    _rename(bench, before)
    assert assess(bench.store, "TOY-007").stretches == ()
    _rename(bench, "of another measuring")
    assert len(assess(bench.store, "TOY-007").stretches) == 1


def _rename(bench: Bench, name: str) -> None:
    with visit(bench.store.catalogue) as con:
        con.execute("UPDATE stretches SET fingerprint = ?", [name])
