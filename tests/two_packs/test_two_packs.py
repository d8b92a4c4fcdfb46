"""Two packs side by side in one store: what is wrong with the second is found in the second, and every product says so.

The first pack of each vehicle is the same pack without the fault; the truth is the simulator's.
"""

from __future__ import annotations

import html
import re
from pathlib import Path

import pytest

from demo_logs.plan import charge, rest, ride
from demo_logs.simulator import Fault
from herdbook.pipeline.desk.pack_names import plain_names
from herdbook.pipeline.health.doubts import blocked
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.lake.role_views import view_of_log
from herdbook.pipeline.night.messages import text
from herdbook.pipeline.night.read_changes import last_night
from herdbook.pipeline.night.scan import run_scan
from herdbook.pipeline.reports.dossier.data import dossier_data
from herdbook.pipeline.reports.dossier.write import write_dossier
from herdbook.pipeline.reports.facts import one_vehicle
from herdbook.pipeline.reports.fleet.site import write_fleet
from herdbook.pipeline.reports.history.context import HistoryContext, HistoryReader
from herdbook.pipeline.reports.history.document import document
from herdbook.pipeline.reports.history.lines.several_packs import lines as lines_of_packs
from herdbook.pipeline.reports.record import profile_of
from herdbook.pipeline.reports.signals.window import gather
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import micros
from herdbook.pipeline.vehicle.contact.hold import hold_profile
from herdbook.pipeline.vehicle.profile import load_profile
from tests.two_packs.vehicle import two_packs_text, write_logs, write_profile

WEAK, LOW, HOT = "ZB-0901", "ZB-0902", "ZB-0903"
DAY = "2026-03-02"
# rule, item and severity that the fault put into the second pack must give
WANTED = {
    WEAK: ("weak_group", "pack 2, cell 8", "service"),
    LOW: ("group_under_voltage", "pack 2, cell 5", "stop-use"),
    HOT: ("heat_without_load", "pack 2, sensor 3", "stop-use"),
}


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    folder = tmp_path_factory.mktemp("twins")
    profile, inbox = write_profile(folder / "profiles"), folder / "inbox"
    write_logs(
        inbox,
        profile,
        WEAK,
        [ride(DAY, "07:10", 3.0, 80.0), ride(DAY, "12:10", 3.0, 70.0)],
        second=[Fault("weak_group", 2.5, 0, 8)],
    )
    evening = charge(DAY, "16:00", 6.0)
    write_logs(inbox, profile, LOW, [ride(DAY, "07:10", 4.0, 85.0), evening], second=[Fault("imbalance", 9.0, 0, 5)])
    still = [ride(DAY, "07:10", 3.0, 85.0), rest(DAY, "20:00", 60.0)]
    write_logs(inbox, profile, HOT, still, second=[Fault("rising_without_load", 60.0, 0, 3)])
    made = Store.create(folder / "store", folder / "profiles")
    result = run_scan(inbox, made, jobs=0)
    assert not result.failed, result.failed
    return made


def ask(store: Store, sql: str, *values: object) -> list[tuple[object, ...]]:
    with store.read() as con:
        return con.execute(sql, list(values)).fetchall()


def words(page: str) -> str:
    bare = re.sub(r"<(script|style).*?</\1>", "", page, flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", bare)).split())


@pytest.mark.parametrize("vehicle", WANTED)
def test_a_fault_of_the_second_pack_is_found_there_and_nothing_in_the_first(store: Store, vehicle: str) -> None:
    found = ask(store, "SELECT rule, item, severity FROM findings WHERE vehicle = ?", vehicle)
    assert WANTED[vehicle] in found
    assert all(str(item).startswith("pack 2") for _, item, _ in found), found
    told = ask(store, "SELECT statement FROM findings WHERE vehicle = ? AND rule = ?", vehicle, WANTED[vehicle][0])
    assert str(told[0][0]).startswith("Pack 2: ")


def test_a_group_out_of_balance_is_the_second_packs(store: Store) -> None:
    found = ask(store, "SELECT item FROM findings WHERE vehicle = ? AND rule = 'out_of_balance'", LOW)
    assert found == [("pack 2, cell 5",)]


def test_figures_of_each_pack_stand_under_names_of_their_own(store: Store) -> None:
    """Whoever asks for a figure is given the first pack's; that of the second has its number."""
    rows = ask(
        store,
        "SELECT name, max(value) FROM metrics WHERE vehicle = ? AND name LIKE '%cell_r_ratio' GROUP BY ALL",
        WEAK,
    )
    by_pack = {str(name): float(str(value)) for name, value in rows}
    assert by_pack["cell_r_ratio"] < 1.2
    assert by_pack["pack_2_cell_r_ratio"] > 2.0
    doubled = ask(store, "SELECT count(*) FROM metrics WHERE name LIKE 'pack_2_%speed%' OR name LIKE 'pack_2_%brak%'")
    assert doubled == [(0,)], "drive and brakes are measured once"


def test_energy_of_the_way_is_that_of_both_packs(store: Store) -> None:
    """Charge and energy of each pack are its own; what a way took is what both gave."""
    rides: dict[object, dict[str, float]] = {}
    for t, name, value in ask(
        store,
        "SELECT start_t, m.name, m.value FROM metrics m JOIN sessions s USING (vehicle, start_t) "
        "WHERE vehicle = ? AND s.kind = 'ride'",
        WEAK,
    ):
        rides.setdefault(t, {})[str(name)] = float(str(value))
    assert len(rides) == 2
    for of in rides.values():
        both = of["pack_out_wh"] - of["pack_in_wh"] + of["pack_2_pack_out_wh"] - of["pack_2_pack_in_wh"]
        assert of["consumption_wh_km"] == pytest.approx(both / of["distance_km"], rel=0.02)


def test_the_dossier_shows_each_pack_and_the_evidence_of_the_right_one(store: Store, tmp_path: Path) -> None:
    page = write_dossier(store, WEAK, tmp_path / "d.html").read_text("utf-8")
    said = words(page)
    assert "pack 2, cell 8" in said
    for leaf in ("Pack 1: cell groups", "Pack 2: cell groups", "Pack 1: heat", "Pack 2: pack"):
        assert leaf in said
    assert "Of the packs side by side the first is compared" in said
    assert "pack_2_cell_voltage" in html.unescape(page), "the command for all samples names the second pack's signals"
    anchors = re.findall(r'\bid="([^"]+)"', re.sub(r"<script.*?</script>", "", page, flags=re.DOTALL))
    assert len(anchors) == len(set(anchors)), sorted(a for a in set(anchors) if anchors.count(a) > 1)
    data = dossier_data(store, WEAK)
    assert [(f["rule"], f["item"]) for f in data["findings"]] == [WANTED[WEAK][:2]]
    assert data["findings"][0]["limits_moved"]["moved"], "its limits are tried on the second pack's record"
    assert data["other_packs"] == ""


def test_signals_of_the_second_pack_are_named_and_read(store: Store) -> None:
    [(start, end)] = ask(
        store, "SELECT min(start_t), min(end_t) FROM sessions WHERE vehicle = ? AND kind = 'charge'", LOW
    )
    span = micros(start), micros(end)  # type: ignore[arg-type]
    first, second = gather(store, LOW, ["cell_voltage[5]", "pack_2_cell_voltage[5]"], *span)
    assert second.name == "pack_2_cell_voltage[5]"
    assert float(second.v.min()) < 2.5 < float(first.v.min())
    assert plain_names(store, LOW, ["pack_2_cell_voltage[5]", "pack_current"]) == ["BMS2_Cells.Group05", "pack_current"]


def test_the_history_tells_capacity_and_limits_by_pack(store: Store) -> None:
    lines = [str(line["text"]) for line in document(store, LOW)["lines"]]
    low = {n: line for n in (1, 2) for line in lines if line.startswith(f"Pack {n}: time with a group of cells below")}
    assert ": none," in low[1]
    assert ": none," not in low[2]
    assert sum("below its lowest stated voltage" in line for line in lines) == 2, "no line speaks of no pack"
    assert any("pack 2, cell 5" in line for line in lines)


def test_a_line_of_the_second_pack_leads_to_its_rows(store: Store) -> None:
    with store.read() as con:
        facts = one_vehicle(con, LOW, store.settings.zone)
    given = HistoryContext(facts, HistoryReader(None, "km"), profile_of(store, "twin"))
    [line] = [x for x in lines_of_packs(given) if x.text.startswith("Pack 2: time with a group of cells below")]
    assert line.source is not None
    assert line.source.where["name"] == ("pack_2_cell_under_s",)


def test_a_wrong_second_pack_is_contradicted_and_the_first_is_not(store: Store, tmp_path: Path) -> None:
    """As the first's: the sign of its current against its voltage; the first pack's rules go on."""
    text = two_packs_text()
    wrong = text.replace(
        'pack_current = "BMS2_Pack.PackCurrent"', 'pack_current = { signal = "BMS2_Pack.PackCurrent", scale = -1 }'
    )
    assert wrong != text
    profile = load_profile(write_profile(tmp_path, wrong))
    logs = sorted((store.folder.parent / "inbox").glob(f"{WEAK}_*.log"))
    told = hold_profile(profile, [view_of_log(log, profile, WEAK) for log in logs])
    assert "pack_2_pack_current" in told.doubts
    assert "pack 2: " in told.doubts["pack_2_pack_current"]
    assert "pack_current" not in told.doubts
    lost = [why for rule, why in blocked(all_rules().values(), told.doubts) if rule.id == "weak_group"]
    assert lost == [told.doubts["pack_2_pack_current"]]
    sound = load_profile(write_profile(tmp_path / "sound"))
    assert not hold_profile(sound, [view_of_log(log, sound, WEAK) for log in logs]).told


def test_the_night_the_register_and_the_vehicles_page_name_the_pack(store: Store, tmp_path: Path) -> None:
    night = last_night(store)
    assert night is not None
    said = " ".join(text(night).split())
    assert "pack 2, cell 5" in said
    assert "pack 2, sensor 3" in said
    write_fleet(store, tmp_path / "site")
    assert "pack 2, cell 5" in words((tmp_path / "site" / "index.html").read_text("utf-8"))
    page = (tmp_path / "site" / "vehicles" / f"{LOW}.html").read_text("utf-8")
    assert "pack 2, cell 5" in words(page)
    assert '<svg class="sketch"' in page
