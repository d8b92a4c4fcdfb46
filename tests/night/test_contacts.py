"""A scan holds profiles against logs: what they contradict is told, and no rule judges by it until it is put right."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest

import herdbook
from herdbook.pipeline.night.contacts import hold_against_logs, profiles_due, unasked
from herdbook.pipeline.night.messages import text
from herdbook.pipeline.night.read_changes import last_night
from herdbook.pipeline.night.scan import run_scan
from herdbook.pipeline.reports.dossier.data import dossier_data
from herdbook.pipeline.reports.fleet.site import write_fleet
from herdbook.pipeline.store.connection import transaction, visit
from herdbook.pipeline.store.store import Store

ROOT = Path(__file__).parents[2]
LOGS = ("ZB-0101_2026-03-23_ride.blf", "ZB-0105_2026-03-20_ride.blf", "ZB-0101_2026-03-02_dock.blf")
RIGHT, WRONG = '"BMS_Pack.PackCurrent"', '{ signal = "BMS_Pack.PackCurrent", scale = -1 }'


@pytest.fixture(scope="module")
def nights(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Store]:
    """A store whose profile has the current's sign wrong; and one that has been put right since."""
    told = {}
    for name in ("wrong", "mended"):
        folder = tmp_path_factory.mktemp(name)
        (folder / "inbox").mkdir()
        (folder / "profiles").mkdir()
        for log in LOGS:
            copied = shutil.copy(ROOT / "demo_logs" / "fleet" / log, folder / "inbox" / log)
            os.utime(copied, (1.7e9, 1.7e9))  # a file that has just changed is left alone
        (folder / "profiles" / "zirbel.dbc").write_bytes((ROOT / "dbc_demo" / "zirbel.dbc").read_bytes())
        profile = folder / "profiles" / "zirbel.toml"
        toml = (ROOT / "dbc_demo" / "zirbel.toml").read_text("utf-8")
        profile.write_text(toml.replace(RIGHT, WRONG), "utf-8")
        store = Store.create(folder / "store", folder / "profiles")
        run_scan(folder / "inbox", store, jobs=0)
        if name == "mended":
            profile.write_text(toml, "utf-8")
            run_scan(folder / "inbox", store, jobs=0)
        told[name] = store
    return told


def test_rules_that_read_a_contradicted_role_do_not_judge(nights: dict[str, Store]) -> None:
    with nights["wrong"].read() as con:
        reasons = con.execute("SELECT DISTINCT reason FROM not_assessed WHERE rule = 'weak_group'").fetchall()
        belt = con.execute("SELECT DISTINCT reason FROM not_assessed WHERE rule = 'belt_slip'").fetchall()
        assert con.execute("SELECT count(*) FROM findings WHERE rule = 'weak_group'").fetchall() == [(0,)]
    assert reasons == [("the sign of the pack current contradicts the voltage",)]
    assert not [reason for (reason,) in belt if "contradicts" in reason]  # needs no pack current


def test_the_night_tells_it(nights: dict[str, Store]) -> None:
    changes = last_night(nights["wrong"])
    assert changes
    assert changes.exit_code in (10, 20)
    assert "contradict 1 profile" in changes.headline()
    message = text(changes)
    assert "PROFILES IN DOUBT" in message
    assert "the sign of the pack current contradicts the voltage" in message
    assert "scale = -1" in message


def test_a_mended_profile_is_judged_again_without_a_new_log(nights: dict[str, Store]) -> None:
    changes = last_night(nights["mended"])
    assert changes
    assert not changes.doubts
    assert "PROFILES" not in text(changes)
    with nights["mended"].read() as con:
        said = con.execute("SELECT count(*) FROM not_assessed WHERE reason LIKE '%contradicts%'").fetchall()
        assert said == [(0,)]
        charged = con.execute("SELECT value FROM metrics WHERE name = 'pack_in_ah' ORDER BY value DESC").fetchall()
    assert charged[0][0] > 20


def test_a_settled_profile_is_not_held_again(nights: dict[str, Store]) -> None:
    assert profiles_due(nights["mended"]) == []


def test_figures_of_a_role_in_doubt_say_so(nights: dict[str, Store], tmp_path: Path) -> None:
    """From Python, on the vehicle's page and in its dossier; and no more once the profile is right."""
    fleet = herdbook.open(nights["wrong"].folder)
    said = dossier_data(nights["wrong"], "ZB-0101")
    why = said["doubts"]["pack_current"]
    told = dict(fleet.metrics().select("name", "doubt").unique().rows())
    assert told["pack_in_ah"] == said["doubted_figures"]["pack_in_ah"] == why
    assert told["consumption_wh_km"] in said["doubts"].values()
    assert told["temp_missing_share"] is None
    page = fleet.dossier("ZB-0101", tmp_path).read_text("utf-8")
    assert "Logs contradict the profile zirbel" in page
    assert "In doubt: Charge that entered the pack" in page
    write_fleet(nights["wrong"], tmp_path / "site")
    assert why in (tmp_path / "site" / "vehicles" / "ZB-0101.html").read_text("utf-8")
    right = herdbook.open(nights["mended"].folder)
    assert right.metrics()["doubt"].null_count() == right.metrics().height
    page = right.dossier("ZB-0101", tmp_path / "right.html").read_text("utf-8")
    assert "contradict the profile" not in page
    assert "In doubt: " not in page


@pytest.mark.parametrize("losing", [1, 3])
def test_a_log_that_is_lost_is_told_and_a_profile_held_against_none_waits(
    nights: dict[str, Store], tmp_path: Path, losing: int
) -> None:
    """A worker that dies over a log gives None for it (Workers.in_order)."""
    store = Store.open(shutil.copytree(nights["mended"].folder, tmp_path / "store"))
    with transaction(store.catalogue) as con:
        con.execute("DELETE FROM contacts")
        scan = con.execute("SELECT max(scan) FROM scans").fetchall()[0][0]

    def run(function: Callable[[Any], Any], items: Sequence[Any]) -> list[Any]:
        whole = [function(item) for item in items]
        return [None] * losing + whole[losing:] if len(items) == 3 else whole

    held = hold_against_logs(store, scan, profiles_due(store), run)
    with visit(store.catalogue, read_only=True) as con:
        kept = con.execute("SELECT logs FROM contacts").fetchall()
        told = [note for (note,) in con.execute("SELECT note FROM night_notes").fetchall() if "was held" in note]
    if losing == 3:
        assert (held, kept) == ([], [])
        assert profiles_due(store) == ["zirbel"]
        assert told[0].startswith(
            "profile zirbel was held against no log: 3 logs of ZB-0101, ZB-0105 could not be read"
        )
        assert told[0].endswith("the next scan tries again")
    else:
        assert (held, kept) == (["zirbel"], [(2,)])
        assert told[0].startswith("profile zirbel was held against 2 logs: 1 log of ZB-0101 could not be read")
        assert "tries again" not in told[0]
    assert len(told) == 1


def test_a_contact_that_loses_its_process_is_told() -> None:
    assert (
        unasked("p", 0, [])
        == "profile p was held against no log: a process was lost over it; the next scan tries again"
    )
