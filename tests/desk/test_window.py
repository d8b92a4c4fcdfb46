"""Signals as the window gives them, held against what the lake gives by another way."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import httpx
import pyarrow.parquet as pq
import pytest

from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.desk import lines, take_signals
from herdbook.pipeline.lake.read import load_signals
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import from_stamp, micros
from tests.desk.conftest import served, visitor

BRAKE = {"from": "2026-03-20T11:12:29.253300Z", "to": "2026-03-20T11:12:42.433600Z"}
JSON = {"accept": "application/json"}


def ask(wires: httpx.Client, code: Any = 200, **given: Any) -> dict[str, Any]:
    said = wires.get("/window/data", params={"v": "ZB-0105", **given}, headers=JSON)
    assert said.status_code == code, said.text
    found: dict[str, Any] = said.json()
    return found


def samples(store: Store, role: str, item: int | str = "") -> tuple[Times, Floats]:
    start, end = (micros(from_stamp(BRAKE[k])) for k in ("from", "to"))
    series = load_signals(store, "ZB-0105", start, end, [role]).series(role, item)
    return series.t - start, series.v


def test_a_short_stretch_gives_every_sample(wires: httpx.Client, scanned_once: Store) -> None:
    found = ask(wires, s=["pack_current", "motor_current[left]", "BMS_Pack.PackVoltage"], **BRAKE)
    current, left, voltage = found["lines"]
    t, v = samples(scanned_once, "pack_current")
    inside = [k for k, at in enumerate(current["t"]) if 0 <= at < found["end"] - found["start"]]
    assert [current["t"][k] for k in inside] == t.tolist()
    assert [current["low"][k] for k in inside] == v.tolist()
    assert current["exact"]
    assert current["n"] == len(t)
    assert left["name"] == "motor_current[left]"
    assert (voltage["unit"], voltage["exact"]) == ("V", True)
    assert found["problems"] == []


@pytest.mark.parametrize("held", [8, 0])
def test_blocks_say_the_same_as_samples(
    wires: httpx.Client, scanned_once: Store, monkeypatch: pytest.MonkeyPatch, held: int
) -> None:
    """held: 0 puts logs together one after the other, as where there are many."""
    monkeypatch.setattr(lines, "HELD_A_PIXEL", held)
    monkeypatch.setattr(lines, "EVERY", 0)
    monkeypatch.setattr(lines, "MOST_EXACT", 0)
    given = {
        "s": ["pack_current", "cell_voltage"],
        "from": "2026-03-01T00:00:00Z",
        "to": "2026-03-30T00:00:00Z",
        "px": 60,
    }
    for _ in range(200):
        found = ask(wires, **given)
        if not found["left"]:
            break
    assert found["left"] == 0
    start, end = (micros(from_stamp(str(given[k]))) for k in ("from", "to"))
    whole = load_signals(scanned_once, "ZB-0105", start, end, ["pack_current", "cell_voltage"])
    assert len(found["lines"]) == 13
    for line in found["lines"]:
        item = line["name"].partition("[")[2].rstrip("]")
        v = whole.series(line["role"], int(item) if item else "").v
        assert min(line["low"]) == v.min()
        assert max(line["high"]) == v.max()
        assert line["n"] == len(v)
        assert not line["exact"]
        assert len(line["t"]) <= 120
        assert len(line["begins"]) == 4  # four rides apart: three gaps that no line bridges
    assert len(found["recorded"]) == 3  # two of the four lie closer to one another than two pixels


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"s": ["pack_curent"]}, "Near roles: pack_current"),
        ({"s": ["BMS_Pack.PackVoltag"]}, "Near names: BMS_Pack.PackVoltage"),
        ({"s": ["charger_current"]}, "charger_current: nothing of it was recorded in this stretch"),
        (
            {"s": ["pack_current"], "from": "2031-01-01T00:00:00Z", "to": "2031-01-02T00:00:00Z"},
            "nothing was recorded then",
        ),
    ],
)
def test_what_cannot_be_drawn_is_told_and_the_rest_is_drawn(
    wires: httpx.Client, given: dict[str, Any], words: str
) -> None:
    found = ask(wires, **(BRAKE | given))
    assert words in " ".join(found["problems"])


@pytest.mark.parametrize("stretch", [{}, {"from": "x", "to": "y"}, {"from": BRAKE["to"], "to": BRAKE["from"]}])
def test_a_stretch_that_is_none_is_told(wires: httpx.Client, stretch: dict[str, str]) -> None:
    assert "no stretch of time" in ask(wires, 400, s="pack_current", **stretch)["what"]
    page = wires.get("/window", params={"v": "ZB-0105", **stretch})
    assert page.status_code == 200
    assert ("names no stretch of time" in page.text) == bool(stretch)


def test_a_vehicle_that_is_gone_is_told(wires: httpx.Client) -> None:
    said = wires.get("/window?v=ZB-9999")
    assert said.status_code == 404
    assert "not in this store" in said.text
    beside = wires.get("/window?v=ZB-0105&b=ZB-9999")
    assert beside.status_code == 200
    assert "not in this store" in beside.text


@pytest.mark.parametrize("every", [300_000, 0])
def test_a_damaged_part_is_told_and_no_value_of_it_shown(
    scanned: Store, monkeypatch: pytest.MonkeyPatch, every: int
) -> None:
    monkeypatch.setattr(lines, "EVERY", every)
    monkeypatch.setattr(lines, "MOST_EXACT", 3_000_000 if every else 0)
    with scanned.read() as con:
        [(part,)] = con.execute(
            "SELECT p.part FROM parts p JOIN logs USING (log) WHERE vehicle = 'ZB-0105' ORDER BY start_t DESC LIMIT 1"
        ).fetchall()
    path = scanned.lake.root / part
    path.chmod(0o640)
    whole = bytearray(path.read_bytes())
    whole[len(whole) // 2] ^= 1
    path.write_bytes(whole)
    shutil.rmtree(scanned.folder / "desk", ignore_errors=True)  # levels that were made while it was sound
    with served(scanned) as listening, visitor(listening) as browser:
        for _ in range(1200):  # levels are prepared meanwhile
            found = ask(browser, s="pack_current", **BRAKE)
            if not found["left"]:
                break
            time.sleep(0.05)
        assert "damaged" in " ".join(found["problems"])
        assert found["lines"] == []


def test_what_would_fill_the_memory_is_told_or_drawn_from_blocks(
    wires: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    given = {"v": "ZB-0105", "s": ["pack_current", "pack_voltage", "cell_voltage"], "as": "parquet", **BRAKE}
    assert wires.get("/window/file", params=given).status_code == 200
    n = sum(line["n"] for line in ask(wires, s=given["s"], **BRAKE)["lines"])
    monkeypatch.setattr(take_signals, "MOST", n // 2)  # each alone is less
    said = wires.get("/window/file", params=given)
    assert said.status_code == 400
    assert "samples lie in this stretch" in said.text
    assert wires.get("/window/file", params=given | {"s": "pack_current"}).status_code == 200
    monkeypatch.setattr(lines, "EVERY_ALL", n // 2)
    for _ in range(200):
        found = ask(wires, s=given["s"], **BRAKE)
        if not found["left"]:
            break
    assert len(found["lines"]) == 14
    assert min(line["n"] for line in found["lines"]) > 0


def test_two_vehicles_are_aligned_at_their_moments(wires: httpx.Client) -> None:
    at, bt = "2026-03-20T11:12:34.253300Z", "2026-03-09T06:13:18.859740Z"
    found = ask(wires, s="regen_demand", b="ZB-0106", at=at, bt=bt, **BRAKE)
    other = found["beside"]
    assert other["vehicle"] == "ZB-0106"
    assert other["start"] - found["start"] == micros(from_stamp(bt)) - micros(from_stamp(at))
    assert other["lines"][0]["n"] > 0


def test_the_copies_run_and_give_the_same(wires: httpx.Client, scanned_once: Store, tmp_path: Path) -> None:
    found = ask(wires, s=["pack_current", "motor_current[left]", "BMS_Pack.PackVoltage"], **BRAKE)
    n = sum(line["n"] for line in found["lines"])
    given = {"v": "ZB-0105", "s": ["pack_current", "motor_current[left]", "BMS_Pack.PackVoltage"], **BRAKE}
    copied = wires.get("/window/copies", params=given, headers={"accept": "application/json"}).json()
    bin_folder = Path(sys.executable).parent
    command = copied["command"].replace("herdbook ", f"{bin_folder}/herdbook ", 1)
    subprocess.run(["bash", "-c", command], cwd=tmp_path, check=True, capture_output=True)
    table = pq.read_table(tmp_path / "window.parquet")
    assert sum(len(table[c]) - table[c].null_count for c in table.column_names if c != "t") == n
    (tmp_path / "ask.py").write_text(copied["python"] + "print(table.height)\n")
    said = subprocess.run([sys.executable, "ask.py"], cwd=tmp_path, check=True, capture_output=True, text=True).stdout
    assert said.splitlines()[-1] == str(n)
    sql = [f"{bin_folder}/herdbook", "query", copied["sql"], "--store", str(scanned_once.folder), "--json"]
    rows = json.loads(subprocess.run(sql, check=True, capture_output=True, text=True).stdout)
    assert len(rows) == n
    _, v = samples(scanned_once, "pack_current")
    assert [r["value"] for r in rows if r["name"] == "pack_current"] == pytest.approx(v.tolist(), abs=1e-9)
