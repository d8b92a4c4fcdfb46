"""What a warranty clerk asks of a history, answered from rows written by hand: every expected figure is worked out
here from those rows."""

from __future__ import annotations

import json
import re
import shutil
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import pytest

from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.reports import verify_history, write_dossier, write_history
from herdbook.pipeline.reports.words import names
from herdbook.pipeline.store.store import Store
from tests.reports.conftest import fill
from tests.reports.made_up import T0, Catalogue
from tests.reports.specs import page_and_figures

ROOT = Path(__file__).parents[3]


def lines(store: Store, out: Path, vehicle: str = "VX-014", **more: Any) -> list[dict[str, Any]]:
    text = write_history(store, vehicle, out / "h.json", "json", **more).read_text("utf-8")
    found: list[dict[str, Any]] = json.loads(text)["lines"]
    return found


def told(found: list[dict[str, Any]], section: str, topic: str) -> list[str]:
    return [line["text"] for line in found if line["section"] == section and line["topic"] == topic]


def test_rides_after_a_scan_told_are_counted(store: Store, out: Path) -> None:
    """The scan 30 days after T0 told of group 7; weekly rides of 6.2 + week km: those of weeks 5, 6 and 7 are later,
    11.2 + 12.2 + 13.2 = 36.6 km. The brake was told of 61 days after T0, after every ride."""
    found = lines(store, out)
    brake, cell = told(found, "events", "Used after it was told")
    assert "No ride on record is later" in brake
    assert "After that 3 rides, 36.6\u00a0km in all, are on record, the last on 2026-04-19." in cell
    assert "3 rides, 36.6\u00a0km in all, are on record after that" in told(found, "short", "Used after the warning")[0]
    value = next(line for line in found if line["topic"] == "Used after it was told" and line["value"])
    assert (value["value"], value["unit"]) == (36.6, "km")


def test_a_finding_that_came_back_is_told_anew(tmp_path: Path) -> None:
    """New in scan a (day 10), gone in b (day 20), new in c (day 30): rides count from c on; only day 36 is later."""
    book = _one(tmp_path)
    for scan, day, change in (("a", 10, "new"), ("b", 20, "gone"), ("c", 30, "new")):
        book.scan(scan, T0 + timedelta(days=day))
        _change(book, scan, change)
    book.finding("VX-050", "weak_group", item="cell 3", severity="service")
    said = told(lines(book.close(), tmp_path, "VX-050"), "events", "Used after it was told")[0]
    assert "After that 1 ride, 5.00\u00a0km in all, is on record" in said


def test_what_was_told_and_is_gone_is_still_told(tmp_path: Path) -> None:
    book = _one(tmp_path)
    for scan, day, change in (("a", 10, "new"), ("b", 20, "gone")):
        book.scan(scan, T0 + timedelta(days=day))
        _change(book, scan, change)
    found = [line for line in lines(book.close(), tmp_path, "VX-050") if line["topic"].endswith("(earlier)")]
    assert len(found) == 1
    assert found[0]["text"].startswith("Told by a scan on 2026-03-11, not by scans since 2026-03-21")


def _one(folder: Path, **vehicle: Any) -> Catalogue:
    """A vehicle with a ride of 5 km on days 0, 12, 24 and 36."""
    book = Catalogue(folder)
    book.vehicle("VX-050", **vehicle)
    for day in (0, 12, 24, 36):
        start = T0 + timedelta(days=day)
        log = book.log("VX-050", start)
        book.session("VX-050", start, "ride", 0.5, [log])
        book.metric("VX-050", start, "distance_km", 5.0, "km")
    return book


def _change(book: Catalogue, scan: str, change: str, **more: Any) -> None:
    book.add(
        "finding_log",
        scan=scan,
        vehicle="VX-050",
        rule="weak_group",
        item="cell 3",
        change=change,
        severity="service",
        severity_before=None,
        measured=1.5,
        unit="times",
        statement="Group 3 is weak.",
        **more,
    )


def test_a_past_date_knows_count_error_and_dates_of_then(tmp_path: Path) -> None:
    book = _one(tmp_path)
    book.scan("a", T0 + timedelta(days=10))
    more = {"limit": 1.4, "se": 0.02, "count": 3, "duration_s": 90.0, "first_t": T0, "last_t": T0 + timedelta(days=2)}
    _change(book, "a", "new", not_separable="A wire and a cell look alike.", **more)
    store = book.close()
    found = lines(store, tmp_path, "VX-050", as_of=T0 + timedelta(days=11))
    event = next(line for line in found if line["severity"] and line["rule"])
    assert "Recorded 3 times, 1 min 30 s in all, between 2026-03-01 and 2026-03-03." in event["text"]
    assert "Measured 1.500 ± 0.020\u00a0times; limit in force 1.40\u00a0times." in event["text"]
    assert event["standard_error"] == 0.02
    assert "A wire and a cell look alike" in " ".join(told(found, "open", "Another explanation"))
    assert told(found, "herd", "Among its type") == [
        "How common its findings were among its type is not kept for a past date."
    ]


def test_a_past_date_says_what_an_old_scan_did_not_keep(store: Store, out: Path) -> None:
    found = lines(store, out, as_of=T0 + timedelta(days=31))
    assert "with what error was not kept then" in next(line["text"] for line in found if line["rule"])


def test_capacity_says_of_what_how_warm_and_how_sure(tmp_path: Path) -> None:
    """Three charges from 6 % to full take 25.38 Ah: 25.38 / 0.94 = 27.0 Ah, 90 % of the 30 Ah of dbc_demo/zirbel.toml;
    cells between 12 and 31 degC."""
    said = _capacity(tmp_path, (25.38, 25.38, 25.38), ["P-1"])
    assert "Pack P-1 held 27.0" in said["Capacity"]
    assert re.search(r"90\.\d ± \d\.\d% of the 30 Ah", said["Capacity"])
    between = "3 measurements between 2026-03-01 and 2026-03-07, with cells between 12 and 31.0\u00a0°C"
    assert between in said["Capacity"]
    assert re.search(
        r"It lies \d\.\d standard errors above 80 % .* Last measured above it beyond doubt on 2026-03-07",
        said["Under 80 %?"],
    )
    assert "not in this store" in said["Before expiry?"]


def test_capacity_says_between_which_dates_it_fell(tmp_path: Path) -> None:
    """90, 90 and 70 % of 30 Ah: the third is under 80 %, the second still above."""
    said = _capacity(tmp_path, (25.38, 25.38, 19.74), ["P-1"])
    assert (
        "First measured below it beyond doubt on 2026-03-07, last above it before that on 2026-03-04"
        in (said["Under 80 %?"])
    )


def test_capacity_never_crosses_an_exchange_of_packs(tmp_path: Path) -> None:
    found = _capacity(tmp_path, (25.38, 25.38, 19.74), ["P-1", "P-1", "P-2"])
    assert "Pack P-1 held 27.0" in found["Capacity"]
    assert "Pack P-2 held 21.0" in found["Capacity"]


def test_capacity_without_measurement_says_why(store: Store, out: Path) -> None:
    assert (
        "profile, which states the rated charge, is not in the store"
        in told(lines(store, out), "capacity", "Capacity")[0]
    )


def _capacity(folder: Path, ah: tuple[float, ...], packs: list[str]) -> dict[str, str]:
    """The capacity lines by topic (joined) of a zirbel that took `ah` from 6 % to full every third day."""
    shutil.copytree(ROOT / "dbc_demo", folder / "profiles")
    book = Catalogue(folder)
    book.vehicle("VX-060", profile="zirbel")
    packs = packs if len(packs) == len(ah) else packs * len(ah)
    for number, charged in enumerate(ah):
        start = T0 + timedelta(days=3 * number)
        log = book.log("VX-060", start, hours=2.0, profile="zirbel")
        book.session("VX-060", start, "charge", 1.5, [log], coverage=1.0)
        book.metrics.append(("VX-060", start, "pack_run_ah", "", -charged, "Ah", None, 9000, 1.0))
        for name, value in (("cell_temp_min_c", 12.0), ("cell_temp_max_c", 31.0)):
            book.metric("VX-060", start, name, value, "degC")
        for item, minutes, soc, run in (("low", 0, 6.0, 0.0), ("full", 80, 100.0, -charged)):
            at = start + timedelta(minutes=minutes)
            book.add(
                "events",
                vehicle="VX-060",
                session_start_t=start,
                kind="charge_anchor",
                item=item,
                start_t=at,
                end_t=at,
                data={"soc_pct": soc, "se_pct": 1.0, "run_ah": run},
            )
    for pack in dict.fromkeys(packs):
        days = [3 * n for n, p in enumerate(packs) if p == pack]
        book.add(
            "installs",
            vehicle="VX-060",
            component="pack",
            serial=pack,
            from_t=T0 + timedelta(days=days[0]),
            to_t=T0 + timedelta(days=days[-1], hours=2),
            known_by="bus",
        )
    said: dict[str, str] = {}
    for line in lines(book.close(), folder, "VX-060"):
        if line["section"] == "capacity":
            said[line["topic"]] = f"{said.get(line['topic'], '')} {line['text']}".strip()
    return said


def test_it_is_held_against_its_type_by_count_and_by_software(tmp_path: Path) -> None:
    """Four vehicles: two have the finding, one cannot be judged, so 2 of 3; of firmware 4.1 two of three, of 4.2 none
    of one. The vehicle's firmware changed to 4.1 on day 10, its finding was first seen on day 14."""
    book = Catalogue(tmp_path)
    for number in range(4):
        name = f"VX-07{number}"
        book.vehicle(name)
        book.session(name, T0, "ride", 0.5, [book.log(name, T0, hours=744.0)])
        book.add(
            "installs",
            vehicle=name,
            component="controller_firmware",
            serial="4.2" if number == 3 else "4.1",
            from_t=T0 + timedelta(days=10),
            to_t=T0 + timedelta(days=30),
            known_by="bus",
        )
    book.add(
        "installs",
        vehicle="VX-070",
        component="controller_firmware",
        serial="4.0",
        from_t=T0,
        to_t=T0 + timedelta(days=9),
        known_by="bus",
    )
    for name in ("VX-070", "VX-071"):
        book.finding(name, "regen_late", title="Late", first_t=T0 + timedelta(days=14), severity="note")
    book.add("not_assessed", vehicle="VX-072", rule="regen_late", subsystem="braking", reason="too few")
    found = lines(book.close(), tmp_path, "VX-070")
    assert (
        "found on 2 of the 3 vehicles of this type that could be judged on it, this one included (4 on record)"
        in (told(found, "herd", "Among its type")[0])
    )
    assert "version 4.1: 2 of 3; version 4.2: 0 of 1 vehicles" in told(found, "herd", "By software")[0]
    then = told(found, "herd", "Software then")[0]
    assert "The newest change before it: controller firmware 4.1, seen 4 days earlier" in then


@pytest.mark.parametrize("fmt", ["html", "csv", "json"])
def test_no_other_vehicle_is_named(store: Store, out: Path, fmt: str) -> None:
    text = write_history(store, "VX-014", out, fmt).read_text("utf-8")
    assert "VX-014" in text
    assert not re.search("VX-01[56]", text)


def test_a_dossier_names_its_peers_only_when_asked(store: Store, out: Path) -> None:
    assert not re.search("VX-01[56]", page_and_figures(write_dossier(store, "VX-014", out / "d.html")))
    assert re.search("VX-01[56]", page_and_figures(write_dossier(store, "VX-014", out / "n.html", name_peers=True)))


def test_who_looked_is_in_the_file_and_holds(store: Store, out: Path) -> None:
    path = write_history(store, "VX-014", out / "h.json", "json", by="Warranty desk 2")
    made = json.loads(path.read_text("utf-8"))
    assert made["by"] == "Warranty desk 2"
    assert datetime.fromisoformat(made["at"]).year >= 2026
    said = told(made["lines"], "short", "Who looked")[0]
    assert "Written by Warranty desk 2 on" in said
    assert verify_history(store, path).checks[3].ok
    assert "Nobody is named" in told(lines(store, out), "short", "Who looked")[0]


def test_a_moved_fleet_does_not_fail_a_vehicles_file(tmp_path: Path) -> None:
    book = Catalogue(tmp_path)
    fill(book)
    store = book.close()
    paths = [write_history(store, "VX-014", tmp_path / f"h.{fmt}", fmt) for fmt in ("html", "csv", "json")]
    with duckdb.connect(str(store.fleet)) as con:
        con.execute(
            "INSERT INTO findings SELECT * REPLACE ('x' AS finding, 'VX-016' AS vehicle) FROM findings "
            "WHERE rule = 'brake_refused'"
        )
    for path in paths:
        same = verify_history(store, path).checks[3]
        assert same.ok, same
        assert "counts over the fleet have moved since" in same.detail
    with duckdb.connect(str(store.fleet)) as con:
        con.execute("UPDATE findings SET count = 99 WHERE vehicle = 'VX-014' AND rule = 'brake_refused'")
    assert not any(verify_history(store, path).checks[3].ok for path in paths)


def test_safety_return_privacy_and_people_are_on_the_page(store: Store, out: Path) -> None:
    """The transport rules by their own numbers: ADR SP 376, IATA DGR SP A154, 49 CFR 173.185(f)."""
    found = lines(store, out)
    assert told(found, "short", "Safety")[0].startswith("There is a matter of safety: Brake asked for and not del")
    returned = " ".join(told(found, "advice", "Returning the pack"))
    for rule in ("376", "A154", "173.185(f)", "trained person", "Local law"):
        assert rule in returned
    assert "no position and no other vehicle" in told(found, "advice", "Sending this on")[0]
    assert told(found, "advice", "Decided by people")
    calm = lines(store, out, "VX-015")
    assert "No stop-use finding stands" in told(calm, "short", "Safety")[0]


@pytest.mark.parametrize("rule", all_rules().values(), ids=lambda r: r.id)
def test_reasons_are_in_plain_words(rule: Any) -> None:
    """As the engine writes them when a rule lacks what it needs."""
    if not rule.needs:
        return
    for why in ("no session had enough of it", f"the profile zirbel maps no {', '.join(rule.roles)}"):
        said = names.reason(f"not in the record: {', '.join(rule.needs)} ({why})")
        assert "_" not in said
        assert "not in the record" not in said


def test_no_internal_name_reaches_a_reader(store: Store, out: Path) -> None:
    for line in lines(store, out):
        assert not re.search(r"\b[a-z]+_[a-z_0-9]+\b", line["topic"] + line["text"]), line["text"]
