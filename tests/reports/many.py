"""Ten thousand generated vehicles with scores and their history, findings, sessions' figures and two nights."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import numpy as np

from herdbook.pipeline.store.store import Store
from tests.reports.made_up import T0, Catalogue

SUBSYSTEMS = "['cells', 'thermal', 'braking', 'pack', 'charging', 'drive', 'remote link', 'data']"
FIGURES = {"cell_temp_max_c": (20, 10), "regen_ratio": (1, 50), "pack_soc_end_pct": (0, 1)}  # lowest, and steps a unit


def ten_thousand(folder: Path) -> Store:
    book = Catalogue(folder)
    book.con.execute(
        "INSERT INTO vehicles BY NAME SELECT 'VX-' || lpad(i::VARCHAR, 5, '0') AS vehicle, 'demo' AS profile, "
        "'B-' || (i // 400) AS batch, $t AS first_t, $t + to_days((i % 60)::INTEGER) AS last_t FROM range(10000) r(i)",
        {"t": T0},
    )
    book.con.execute(
        "INSERT INTO installs SELECT vehicle, 'controller_firmware', '4.' || (hash(vehicle) % 9), "
        "first_t, last_t, 'bus' FROM vehicles"
    )
    book.con.execute(
        "INSERT INTO scores SELECT vehicle, s, CASE WHEN hash(vehicle || s) % 20 > 0 THEN "
        "hash(vehicle || s) % 101 END, 5, 7, '', 'r' "
        f"FROM vehicles, unnest({SUBSYSTEMS}) u(s)"
    )
    for day in range(12):
        book.scan(f"scan-{day:02d}", T0 + timedelta(days=50 + day))
        book.con.execute(
            "INSERT INTO score_log SELECT $scan, vehicle, subsystem, score - hash(vehicle || $scan) % 9 "
            "FROM scores WHERE hash(vehicle || $scan) % 3 = 0",
            {"scan": f"scan-{day:02d}"},
        )
        book.add("nights", scan=f"scan-{day:02d}", by_scan=f"scan-{day:02d}", as_of=T0 + timedelta(days=50 + day))
    for name, (low, step) in FIGURES.items():
        book.con.execute(
            "INSERT INTO metrics SELECT vehicle, last_t - to_days(d::INTEGER), $m, '', $low + (hash("
            "vehicle || d) % 100) / $step, '1', NULL, 1, 1 FROM vehicles, range(12) r(d)",
            {"m": name, "low": float(low), "step": float(step)},
        )
    book.con.execute(
        "INSERT INTO metrics SELECT vehicle, last_t - to_days(d::INTEGER), 'cell_r_ratio', c::VARCHAR, "
        "1 + (hash(vehicle || c) % 40) / 100 + (hash(vehicle || d || c) % 100) / 2000, '1', 0.01, 1, 1 "
        "FROM vehicles, range(12) r(d), range(1, 13) k(c)"
    )
    book.con.execute(
        "INSERT INTO sessions SELECT vehicle, last_t - to_days(d::INTEGER), last_t - to_days(d::INTEGER) "
        "+ INTERVAL 1 HOUR, 'ride', 0.99, [], 'r' FROM vehicles, range(12) r(d)"
    )
    for i in np.random.default_rng(3).choice(10000, 600, replace=False):
        severity = "stop-use" if i % 25 == 0 else "service"
        book.finding(
            f"VX-{i:05d}", "rule", severity=severity, statement="A statement of ordinary length with a number, 3.1."
        )
        if i % 4 == 0:
            book.add(
                "finding_log",
                scan="scan-11",
                vehicle=f"VX-{i:05d}",
                rule="rule",
                item="",
                change="new",
                severity=severity,
                measured=3.1,
                unit="1",
                statement="A statement.",
            )
    return book.close()
