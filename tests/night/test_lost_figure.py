"""A figure that is missing makes rules not assessed; a vehicle and its stop-use finding are never lost over it."""

from __future__ import annotations

from pathlib import Path

import pytest

from herdbook.pipeline.night.scan import run_scan
from herdbook.pipeline.store.store import Store
from tests.vehicle.test_profile_mistakes import changed

FLEET = Path(__file__).parents[2] / "demo_logs" / "fleet"
STOP = "regen_dropout"


@pytest.fixture(scope="module")
def scanned(tmp_path_factory: pytest.TempPathFactory) -> Store:
    """The demo's vehicle with a stop-use finding, by a profile that gives no rated charge."""
    folder = tmp_path_factory.mktemp("lost")
    profiles, inbox = folder / "profiles", folder / "inbox"
    profiles.mkdir()
    inbox.mkdir()
    changed(profiles, "rated_ah = 30.0\n", "")
    for log in FLEET.glob("ZB-0105*"):
        (inbox / log.name).write_bytes(log.read_bytes())
    store = Store.create(folder / "store", profiles)
    settled = [store.folder / "herdbook.toml"]
    settled[0].write_text(settled[0].read_text("utf-8") + "\n[take]\nsettle_s = 0\n", "utf-8")
    store = Store.open(store.folder)
    done = run_scan(inbox, store, jobs=0)
    assert not done.failed
    assert done.vehicles == 1
    return store


def test_the_stop_use_finding_stands(scanned: Store) -> None:
    with scanned.read() as con:
        rules = [rule for (rule,) in con.execute("SELECT rule FROM findings WHERE severity = 'stop-use'").fetchall()]
    assert STOP in rules


def test_the_rules_that_need_it_say_so(scanned: Store) -> None:
    with scanned.read() as con:
        why = dict(con.execute("SELECT rule, reason FROM not_assessed").fetchall())
    for rule in ("weak_group", "leaking_group", "pack_capacity_low"):
        assert "the profile zirbel gives no [pack] rated_ah" in why[rule]
    assert "group_over_voltage" not in why, "it needs no such figure"
