"""A scan holds profiles against logs: what they contradict is told, and no rule judges by it until it is put right."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

import herdbook
from herdbook.pipeline.night.contacts import profiles_due
from herdbook.pipeline.night.messages import text
from herdbook.pipeline.night.read_changes import last_night
from herdbook.pipeline.night.scan import run_scan
from herdbook.pipeline.reports.dossier.data import dossier_data
from herdbook.pipeline.reports.fleet.site import write_fleet
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
