"""A made-up catalogue and made-up signals for the page tests: rows written straight into the schema, no logs behind."""

from __future__ import annotations

import hashlib
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import polars as pl

from herdbook.pipeline.health.severity import SUBSYSTEMS
from herdbook.pipeline.settings import read_settings
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.vehicle.signals import Key, Series, Signals

T0 = datetime(2026, 3, 1, 7, 0, 0)
SCHEMA = Path(__file__).parents[2] / "pipeline" / "store" / "schema"
HOSTILE = '"><script>window.pwned=1</script><img src=x onerror="window.pwned=1">\'; DROP TABLE logs; --\u202e{{7*7}}'


class Catalogue:
    """Writes rows by name into a fresh published catalogue; columns not given get plain defaults."""

    def __init__(self, folder: Path) -> None:
        self.store = Store(folder, read_settings(folder))
        self.metrics: list[tuple[Any, ...]] = []
        self.con = duckdb.connect(str(self.store.fleet))
        for path in sorted(SCHEMA.glob("*.sql")):
            self.con.execute(path.read_text("utf-8"))

    def close(self) -> Store:
        names = ("vehicle", "start_t", "name", "item", "value", "unit", "se", "n", "coverage")
        if self.metrics:
            kinds: dict[str, Any] = {"start_t": pl.Datetime("us"), "se": pl.Float64}
            incoming = pl.DataFrame(self.metrics, schema=names, schema_overrides=kinds, orient="row")
            self.con.register("incoming", incoming)
            self.con.execute("INSERT INTO metrics BY NAME SELECT * FROM incoming")
        self.con.close()
        return self.store

    def add(self, table: str, **row: Any) -> None:
        names = ", ".join(f'"{name}"' for name in row)
        marks = ", ".join("?" for _ in row)
        self.con.execute(f"INSERT INTO {table} ({names}) VALUES ({marks})", list(row.values()))

    def vehicle(self, vehicle: str, **more: Any) -> None:
        self.add(
            "vehicles",
            **{
                "vehicle": vehicle,
                "profile": "demo",
                "batch": "B-07",
                "built": date(2026, 1, 12),
                "in_service": date(2026, 2, 20),
                "in_service_by": "sidecar",
                "zone": "Europe/Vienna",
                "first_t": T0,
                "last_t": T0 + timedelta(days=60),
            }
            | more,
        )

    def log(self, vehicle: str, start: datetime, hours: float = 1.0, **more: Any) -> str:
        name = hashlib.sha256(f"{vehicle}{start}{more.get('name', '')}".encode()).hexdigest()
        self.add(
            "logs",
            **{
                "log": name,
                "name": f"{start:%Y%m%d-%H%M}.log",
                "path": f"inbox/{vehicle}/{start:%Y%m%d-%H%M}.log",
                "size_bytes": 1_234_567,
                "format": "candump",
                "status": "whole",
                "received_t": start + timedelta(days=1),
                "vehicle": vehicle,
                "identity_by": "sidecar",
                "profile": "demo",
                "profile_hash": "ab" * 32,
                "network_hash": "cd" * 32,
                "clock": "utc",
                "clock_notes": [],
                "start_t": start,
                "end_t": start + timedelta(hours=hours),
                "frames": 360_000,
                "frames_known": 359_000,
                "frames_error": 3,
                "frames_remote": 0,
                "lost_bytes": 0,
                "part": f"{name}.parquet",
                "part_hash": "ef" * 32,
                "part_bytes": 400_000,
            }
            | more,
        )
        return name

    def session(
        self, vehicle: str, start: datetime, kind: str, hours: float, logs: list[str], coverage: float = 0.99
    ) -> None:
        self.add(
            "sessions",
            vehicle=vehicle,
            start_t=start,
            end_t=start + timedelta(hours=hours),
            kind=kind,
            coverage=coverage,
            logs=logs,
            rule_set="r" * 64,
        )

    def metric(
        self,
        vehicle: str,
        start: datetime,
        name: str,
        value: float,
        unit: str,
        item: str = "",
        se: float | None = None,
        n: int = 10,
    ) -> None:
        """Kept until close(): one insert for all, since thousands of single ones take seconds."""
        row = (vehicle, start, name, item, float(value), unit, se, n, 0.99)
        self.metrics.append(row)

    def finding(self, vehicle: str, rule: str, **more: Any) -> None:
        item = more.get("item", "")
        self.add(
            "findings",
            **{
                "finding": hashlib.sha256(f"{vehicle}/{rule}/{item}".encode()).hexdigest(),
                "vehicle": vehicle,
                "rule": rule,
                "title": "A title",
                "subsystem": "cells",
                "severity": "service",
                "item": item,
                "statement": "A statement.",
                "measured": 1.0,
                "limit": 0.5,
                "unit": "V",
                "se": None,
                "confidence": 0.9,
                "persistence": 0.8,
                "count": 3,
                "duration_s": 42.0,
                "first_t": T0,
                "last_t": T0 + timedelta(days=5),
                "windows": [],
                "signals": [],
                "not_separable": "",
                "meaning": "What it means.",
                "causes": ["A cause."],
                "bench": ["A check."],
                "cautions": [],
                "share": 0.3,
                "rule_set": "r" * 64,
            }
            | more,
        )

    def scores(self, vehicle: str, given: dict[str, float | None]) -> None:
        for subsystem in SUBSYSTEMS:
            score = given.get(subsystem, 100.0)
            self.add(
                "scores",
                vehicle=vehicle,
                subsystem=subsystem,
                score=score,
                rules_judged=0 if score is None else 4,
                rules_total=5,
                reason="no sessions of this kind" if score is None else "",
                rule_set="r" * 64,
            )

    def scan(self, scan: str, started: datetime, state: str = "complete") -> None:
        self.add(
            "scans",
            scan=scan,
            started_t=started,
            ended_t=started + timedelta(minutes=4),
            logs_new=12,
            logs_known=3,
            quarantined=1,
            vehicles=5,
            rule_set="r" * 64,
            state=state,
        )


def window(start: datetime, seconds: float) -> dict[str, datetime]:
    return {"start_t": start, "end_t": start + timedelta(seconds=seconds)}


def us(t: datetime) -> int:
    return int((t.replace(tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)) / timedelta(microseconds=1))


def signals_of(vehicle: str, start: int, end: int, roles: list[str] | None = None, rate_hz: float = 20.0) -> Signals:
    """A ride that brakes every 30 s; group 7 sags more than the others. Deterministic in absolute time."""
    t = np.arange(start, end, int(1e6 / rate_hz), dtype=np.int64)
    s = t / 1e6 % 30
    braking = s > 25
    current = np.where(braking, -15.0, 18 + 8 * np.sin(s))
    data: dict[Key, Series] = {
        ("vehicle_speed", ""): Series(t, np.where(braking, 6 - (s - 25), 6.0)),
        ("pack_current", ""): Series(t, current),
        ("pack_voltage", ""): Series(t, 39.6 - 0.03 * current),
        ("brake_demand", ""): Series(t, np.where(braking, 60.0, 0.0)),
        ("regen_demand", ""): Series(t, np.where(braking, 18.0, 0.0)),
        ("regen_current", ""): Series(t, np.where(braking & (s > 26), 4.0, 0.0)),
        ("regen_allowed", ""): Series(t, np.full(t.shape, 30.0)),
        ("regen_state", ""): Series(t, np.where(braking, 3.0, 0.0)),
        ("ambient_temp", ""): Series(t, np.full(t.shape, 14.0)),
    }
    for side, share in (("left", 0.5), ("right", 0.42)):
        data["motor_current", side] = Series(t, current * share)
        data["motor_temp", side] = Series(t, 40 + 20 * share + 0.1 * s)
    for cell in range(1, 13):
        data["cell_voltage", cell] = Series(t, 3.3 - current * (0.0031 if cell == 7 else 0.002))
    for sensor in (1, 2):
        data["cell_temp", sensor] = Series(t, 24.0 + sensor + 0.02 * s)
    kept = {key: value for key, value in data.items() if roles is None or key[0] in roles}
    return Signals(vehicle, start, end, kept)
