"""Fixtures of the page tests: a small made-up fleet, published, with the lake answered by made-up signals."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from herdbook.pipeline.reports import write_dossier, write_fleet, write_history, write_signals
from herdbook.pipeline.reports.page.html import file_name
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.vehicle.signals import Signals
from tests.reports.made_up import HOSTILE, T0, Catalogue, signals_of, us, window

if TYPE_CHECKING:
    from playwright.sync_api import Browser


@pytest.fixture(autouse=True, scope="module")
def made_up_lake() -> Iterator[None]:
    """Pages ask the lake for signals; here it answers with made-up ones."""

    def load_signals(store: Any, vehicle: str, start: int, end: int, roles: Any = None) -> Signals:
        return signals_of(vehicle, start, end, roles)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("herdbook.pipeline.lake.read.load_signals", load_signals)
        yield


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    from tests.reports.browser import chromium

    with chromium() as started:
        yield started


@pytest.fixture(scope="module")
def pages(store: Store, tmp_path_factory: pytest.TempPathFactory, made_up_lake: None) -> dict[str, Path]:
    """One of every kind of page, by name; of some also that of a vehicle whose every text is hostile."""
    folder = tmp_path_factory.mktemp("pages")
    start = us(T0) + 3_600_000_000
    names = ["pack_current", "regen_state"]
    return {
        "dossier": write_dossier(store, "VX-014", folder),
        "hostile": write_dossier(store, HOSTILE, folder),
        "history": write_history(store, "VX-014", folder),
        "hostile_history": write_history(store, HOSTILE, folder),
        "fleet": write_fleet(store, folder / "site"),
        "night": folder / "site" / "night.html",
        "vehicle": folder / "site" / "vehicles" / "VX-014.html",
        "hostile_vehicle": folder / "site" / "vehicles" / f"{file_name(HOSTILE)}.html",
        "signals": write_signals(store, "VX-014", names, start, start + 90_000_000, folder / "signals.html"),
    }


@pytest.fixture(scope="session")
def store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    book = Catalogue(tmp_path_factory.mktemp("store"))
    fill(book)
    return book.close()


def fill(book: Catalogue) -> None:
    book.add("rule_sets", rule_set="r" * 64, made_t=T0, rules="[]", version="0.1.0")
    book.scan("scan-1", T0 + timedelta(days=30))
    book.scan("scan-2", T0 + timedelta(days=61))
    book.add("nights", scan="scan-1", by_scan="scan-1", as_of=T0 + timedelta(days=30))
    book.add("nights", scan="scan-2", by_scan="scan-2", as_of=T0 + timedelta(days=60))
    book.add(
        "fleet_log",
        scan="scan-2",
        vehicle="VX-016",
        change="silent",
        since_t=T0 + timedelta(days=49),
        reason="no log for 11 days; nine of ten gaps between its riding days are 3 days or less",
    )
    for vehicle in ("VX-014", "VX-015", "VX-016", HOSTILE):
        _life(book, vehicle)
    book.scores("VX-014", {"braking": 32.0, "cells": 64.0, "thermal": None})
    for vehicle in ("VX-015", "VX-016", HOSTILE):
        book.scores(vehicle, {})
    _brake_finding(book, "VX-014")
    _cell_finding(book, "VX-014", "service")
    _cell_finding(
        book,
        HOSTILE,
        "note",
        title=HOSTILE,
        statement=HOSTILE,
        meaning=HOSTILE,
        causes=[HOSTILE],
        bench=[HOSTILE],
        cautions=[HOSTILE],
        not_separable=HOSTILE,
    )
    book.add(
        "not_assessed",
        vehicle="VX-014",
        rule="soft_short",
        subsystem="cells",
        reason="no two rests at the same knee on record",
    )
    book.add(
        "installs",
        vehicle=HOSTILE,
        component=HOSTILE,
        serial=HOSTILE,
        from_t=T0,
        to_t=T0 + timedelta(days=60),
        known_by=HOSTILE,
    )
    log = book.log(
        HOSTILE, T0 + timedelta(days=58), name=HOSTILE, path=HOSTILE, clock_notes=[HOSTILE], status="partial"
    )
    book.add("log_faults", log=log, kind=HOSTILE, message=HOSTILE, count=3, detail=HOSTILE)
    book.add("not_assessed", vehicle=HOSTILE, rule=HOSTILE, subsystem=HOSTILE, reason=HOSTILE)
    book.add(
        "quarantine",
        log="8" * 64,
        name=HOSTILE,
        path=HOSTILE,
        size_bytes=1,
        reason=HOSTILE,
        detail=HOSTILE,
        advice=HOSTILE,
        first_t=T0,
        last_t=T0,
        tries=1,
    )
    book.add(
        "quarantine",
        log="9" * 64,
        name="broken.blf",
        path="inbox/broken.blf",
        size_bytes=12,
        reason="unreadable",
        detail="12 bytes, no header",
        advice="Pull the log again",
        first_t=T0,
        last_t=T0,
        tries=1,
    )
    for scan, vehicle, rule, change, before in (
        ("scan-1", "VX-014", "cell_resistance", "new", None),
        ("scan-2", "VX-014", "brake_refused", "new", None),
        ("scan-2", "VX-014", "cell_resistance", "worse", "note"),
    ):
        book.add(
            "finding_log",
            scan=scan,
            vehicle=vehicle,
            rule=rule,
            item="cell 7" if "cell" in rule else "",
            change=change,
            severity="service" if "cell" in rule else "stop-use",
            severity_before=before,
            measured=1.55,
            unit="1",
            statement="Group 7 has 1.55 times the resistance of the median group.",
        )


def _life(book: Catalogue, vehicle: str) -> None:
    book.vehicle(vehicle)
    for week in range(8):
        start = T0 + timedelta(days=7 * week, hours=1)
        log = book.log(
            vehicle,
            start,
            clock_notes=["clock stepped back 3 h at 08:10"] if week == 3 else [],
            status="partial" if week == 5 else "whole",
            lost_bytes=512 if week == 5 else 0,
        )
        for fact, value in (("batch", "B-07"), ("built", "2026-01-12"), ("in_service", "2026-02-20")):
            book.add("log_facts", log=log, fact=fact, value=value)
        book.session(vehicle, start, "ride", 0.6, [log])
        book.session(vehicle, start + timedelta(hours=0.7), "charge", 0.3, [log], coverage=0.9)
        _figures(book, vehicle, start, week)
    book.add(
        "installs",
        vehicle=vehicle,
        component="pack",
        serial="P-0031",
        from_t=T0,
        to_t=T0 + timedelta(days=20),
        known_by="bus",
    )
    book.add(
        "installs",
        vehicle=vehicle,
        component="pack",
        serial="P-0087",
        from_t=T0 + timedelta(days=21),
        to_t=T0 + timedelta(days=60),
        known_by="bus",
    )
    book.add(
        "installs",
        vehicle=vehicle,
        component="controller_firmware",
        serial="4.1",
        from_t=T0,
        to_t=T0 + timedelta(days=60),
        known_by="bus",
    )


def _figures(book: Catalogue, vehicle: str, start: datetime, week: int) -> None:
    """Session figures and brakings as the metrics would give them; group 7 of every pack grows worse."""
    shift = 0.0 if vehicle == "VX-014" else 0.02 * len(vehicle)
    book.metric(vehicle, start, "distance_km", 6.2 + week, "km", se=0.05)
    driven = 100.0 + 20 * week - (100.0 if week >= 6 else 0.0)  # the counter loses 100 km before the seventh week
    book.metric(vehicle, start, "odometer_start_km", driven, "km")
    book.metric(vehicle, start, "odometer_end_km", driven + 6.2 + week, "km")
    book.metric(vehicle, start, "top_speed_kmh", 24.0 + week / 10, "km/h")
    book.metric(vehicle, start, "pack_out_wh", 240.0 + week, "Wh")
    book.metric(vehicle, start, "regen_ratio", 0.95 - 0.04 * week + shift, "1", se=0.02)
    for pulse, base in (("0.5s", 1.6), ("2s", 1.8), ("10s", 2.1)):
        book.metric(vehicle, start, f"group_dcr_{pulse}_25c_mohm", base + 0.01 * week + shift, "mOhm", se=0.03)
    for cell in range(1, 13):
        worse = 0.06 * week if cell == 7 else 0.0
        book.metric(vehicle, start, "cell_r_ratio", 1.0 + worse + 0.004 * cell, "1", str(cell), 0.01)
        book.metric(vehicle, start, "cell_level_mv", 0.4 * cell - 2 - 20 * worse, "mV", str(cell), 0.3)
        book.metric(vehicle, start, "cell_offset_top_ah", -1.4 if cell == 4 else 0.05, "Ah", str(cell), 0.12)
        book.metric(vehicle, start, "cell_offset_bottom_ah", -1.4 if cell == 4 else 0.02, "Ah", str(cell), 0.2)
        book.metric(vehicle, start, "cell_bled_ah", 0.02 * cell, "Ah", str(cell))
        book.metric(vehicle, start, "cell_bleed_s", 900.0 + cell, "s", str(cell))
    for sensor in ("", "1", "2"):
        book.metric(vehicle, start, "pack_heat_rise_k", 6.0 + week, "K", sensor, 0.5)
        book.metric(vehicle, start, "pack_heat_explained_k", 6.2 + 0.7 * week, "K", sensor)
    for band, hours in (("10..20", 0.3), ("20..30", 0.5), ("30..40", 0.1)):
        book.metric(vehicle, start, "cell_temp_exposure_h", hours, "h", band)
    book.metric(vehicle, start, "cell_temp_max_c", 28.0 + week + shift, "degC")
    for side in ("left", "right"):
        book.metric(vehicle, start, "motor_temp_max_c", 60.0 + week, "degC", side)
    for k in range(5 if vehicle == "VX-014" else 0):
        at = start + timedelta(minutes=3, seconds=25 + 30 * k)
        data = {"demand_a": 18.0, "delivered_a": 17.0 - 2 * k, "left_a": 9.0, "right_a": 8.0 - 0.2 * k}
        data["short_full_a" if week < 4 else "short_unreasoned_a"] = 2.0 * k
        book.add(
            "events",
            vehicle=vehicle,
            session_start_t=start,
            kind="braking",
            item="",
            start_t=at,
            end_t=at + timedelta(seconds=4),
            data=data,
        )


def _brake_finding(book: Catalogue, vehicle: str) -> None:
    start = T0 + timedelta(days=56, hours=1, minutes=3, seconds=25)
    book.finding(
        vehicle,
        "brake_refused",
        title="Brake asked for and not delivered",
        subsystem="braking",
        severity="stop-use",
        measured=14.0,
        limit=5.0,
        unit="A",
        se=0.4,
        count=6,
        share=0.68,
        statement="In 6 of 40 braking events at least 14 A of the demanded 18 A did not arrive, without a "
        "reason "
        "on the bus.",
        windows=[window(start + timedelta(seconds=30 * i), 4.5) for i in range(3)],
        signals=["regen_demand", "regen_current", "brake_demand", "vehicle_speed"],
        not_separable="Controller limiter or pack limiter: log the charge limit frame to tell them apart.",
        causes=["Charge switch of the pack opens under braking.", "Current sensor of the controller drifts."],
        bench=["Brake on the dynamometer at 95 % charge and watch the DC link."],
        cautions=["Inspecting brakes is for a qualified person."],
    )


def _cell_finding(book: Catalogue, vehicle: str, severity: str, **more: Any) -> None:
    start = T0 + timedelta(days=49, hours=1, minutes=10)
    book.finding(
        vehicle,
        "cell_resistance",
        **{
            "title": "One group resists more than its peers",
            "severity": severity,
            "item": "cell 7",
            "measured": 3.10,
            "limit": 2.6,
            "unit": "mOhm",
            "se": 0.02,
            "share": 0.36,
            "statement": "Group 7 measures 3.10 mΩ at 10 s, 1.55 times the median of its pack.",
            "windows": [window(start, 40.0)],
            "signals": ["cell_voltage", "pack_current"],
        }
        | more,
    )


@pytest.fixture
def out(tmp_path: Path) -> Path:
    return tmp_path / "out"
