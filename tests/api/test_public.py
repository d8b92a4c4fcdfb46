"""`import herdbook` as a user has it: names and signatures that are promised, and what they give on a toy vehicle."""

from __future__ import annotations

import dataclasses
import inspect
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest

import herdbook
import herdbook.own
import herdbook.samples
import herdbook.shown
import tests.toy.logs as toy
from herdbook.pipeline.errors import InputError, NotKnownError, SettingsError, StoreError
from herdbook.pipeline.reports.signals.window import Wire, gather
from herdbook.pipeline.store.store import Store
from tests.toy.bench import DATA, Bench

PROFILE = DATA / "toy.toml"
PROMISED = {  # what may only grow: by arguments with a default
    "decode": ["log", "dbc"],
    "judge": ["logs", "profile", "vehicle", "page", "own"],
    "open": ["store"],
    "Fleet.sql": ["self", "query", "given"],
    "Fleet.vehicles": ["self"],
    "Fleet.sessions": ["self", "vehicle", "kind", "since", "until"],
    "Fleet.metrics": ["self", "names", "vehicle", "since", "until"],
    "Fleet.findings": ["self", "vehicle", "severity"],
    "Fleet.scores": ["self", "vehicle"],
    "Fleet.not_assessed": ["self", "vehicle"],
    "Fleet.signals": ["self", "vehicle", "names", "since", "until", "every"],
    "Fleet.scan_signals": ["self", "vehicle", "names", "since", "until"],
    "Fleet.dossier": ["self", "vehicle", "out"],
    "Fleet.history": ["self", "vehicle", "zone", "units", "as_of"],
}


OWN = [
    *("ROLES", "Cases", "Event", "Finding", "Limit", "Metric", "MetricSet", "NotAssessed", "Outcome", "Profile"),
    *("Record", "Rule", "Session", "Severity", "Signals", "Subject", "Window"),
    *("days", "event_table", "metric_rows", "one_session", "record", "signals", "windows"),
]


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> herdbook.Fleet:
    bench = Bench(tmp_path_factory.mktemp("api"))
    toy.write(bench.inbox / "a.log", toy.day())
    bench.scan()
    return herdbook.open(bench.store.folder)


def test_the_public_names_are_these() -> None:
    assert sorted(herdbook.__all__) == ["Fleet", "Judgement", "__version__", "decode", "judge", "open"]
    assert set(herdbook.__all__) <= set(dir(herdbook))
    with pytest.raises(AttributeError):
        herdbook.scan  # noqa: B018


@pytest.mark.parametrize("name", PROMISED)
def test_arguments_keep_their_names_and_order(name: str) -> None:
    found: object = herdbook
    for part in name.split("."):
        found = getattr(found, part)
    assert callable(found)
    signature = inspect.signature(found)
    assert list(signature.parameters)[: len(PROMISED[name])] == PROMISED[name]
    assert found.__doc__, "says what it gives"


def test_the_import_alone_loads_no_large_library() -> None:
    loaded = "import herdbook, sys; print([m for m in ('polars', 'duckdb', 'numpy', 'cantools') if m in sys.modules])"
    said = subprocess.run([sys.executable, "-c", loaded], capture_output=True, text=True, check=True)
    assert said.stdout.strip() == "[]"


def test_tables_hold_what_the_store_holds(fleet: herdbook.Fleet) -> None:
    assert fleet.vehicles()["vehicle"].to_list() == ["TOY-007"]
    assert "1 vehicle" in repr(fleet)
    rides = fleet.sessions(kind="ride")
    assert rides.height == 1
    start = rides["start_t"][0]
    assert fleet.sessions(since=start, kind="ride").height == 1
    assert fleet.sessions(since=start.replace(tzinfo=UTC).isoformat(), until=start).height == 1
    assert fleet.sessions(since="2030-01-01").height == 0
    assert fleet.metrics(["distance_km"], vehicle="TOY-007")["unit"].unique().to_list() == ["km"]
    assert fleet.findings()["rule"].to_list() == fleet.findings("TOY-007")["rule"].to_list()
    assert fleet.findings("nobody").height == 0
    assert fleet.scores().height == 8
    assert all(fleet.not_assessed()["reason"].to_list())
    assert fleet.sql("SELECT count(*) AS n FROM sessions WHERE kind = $kind", kind="ride")["n"].item() == 1


def test_signals_come_with_time_name_and_unit_and_can_be_averaged(fleet: herdbook.Fleet) -> None:
    every = fleet.signals("TOY-007", ["pack_current"])
    assert every.columns == ["t", "name", "value", "unit"]
    assert (every["unit"].unique().to_list(), every["name"].unique().to_list()) == (["A"], ["pack_current"])
    minutes = fleet.signals("TOY-007", ["pack_current"], every="1m")
    by_hand = every.group_by(pl.col("t").dt.truncate("1m")).agg(pl.col("value").mean()).sort("t")
    assert minutes["value"].to_list() == pytest.approx(by_hand["value"].to_list())
    window = fleet.signals("TOY-007", ["pack_current"], since=datetime.fromtimestamp(toy.T0 / 1e6 + 60, UTC))
    assert 0 < window.height < every.height


def test_signals_as_a_plan_give_the_same(fleet: herdbook.Fleet) -> None:
    names = ["pack_current", "cell_voltage[2]"]
    whole = fleet.signals("TOY-007", names)
    assert whole["name"].unique(maintain_order=True).to_list() == names
    plan = fleet.scan_signals("TOY-007", names)
    assert plan.collect_schema() == whole.schema
    assert plan.collect().sort("name", "t").equals(whole.sort("name", "t"))
    high = plan.filter(pl.col("value") > 3.0).select("value").collect()
    assert high["value"].sort().to_list() == whole.filter(pl.col("value") > 3.0)["value"].sort().to_list()
    assert plan.head(5).collect().height == 5


def test_a_long_record_is_read_a_day_at_a_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(tmp_path)
    for k in range(3):
        toy.write(bench.inbox / f"{k}.log", toy.day(start=toy.T0 + k * 86_400_000_000))
    bench.scan()
    fleet = herdbook.open(bench.store.folder)
    read: list[tuple[int, int]] = []

    def watched(store: Store, vehicle: str, names: list[str], start: int, end: int) -> list[Wire]:
        read.append((start, end))
        return gather(store, vehicle, names, start, end)

    monkeypatch.setattr(herdbook.samples, "gather", watched)
    assert fleet.scan_signals("TOY-007", ["pack_current"]).head(1).collect().height == 1
    assert len(read) == 1
    read.clear()
    hours = fleet.signals("TOY-007", ["pack_current"], every="1h")
    assert len(read) == 3
    assert max(end - start for start, end in read) < 86_400_000_000
    assert hours["t"].is_sorted()
    assert hours["t"].dt.date().n_unique() == 3


def test_a_notebook_shows_tables_and_no_markup_of_a_log(fleet: herdbook.Fleet, tmp_path: Path) -> None:
    assert "1 vehicle, 1 log" in fleet._repr_html_()
    said = herdbook.judge(toy.write(tmp_path / "a.log", toy.day()), profile=PROFILE)._repr_html_()
    assert "Motor" in said or "motor" in said
    assert "<th>statement</th>" in said
    hostile = pl.DataFrame({"a": ["<script>x</script>"], "b": [None]})
    assert "<script>" not in herdbook.shown.as_table("t", hostile)


def test_what_own_rules_import_is_promised() -> None:
    assert sorted(herdbook.own.__all__) == sorted(OWN)
    assert all(hasattr(herdbook.own, name) for name in OWN)
    fields = {f.name for f in dataclasses.fields(herdbook.own.Rule)}
    assert {"id", "title", "subsystem", "severity", "needs", "roles", "limits", "judge", "cases", "version"} <= fields
    with pytest.raises(ValueError, match="no role"):
        herdbook.own.signals(0.1, no_role=[1.0])
    with pytest.raises(ValueError, match="as many"):
        herdbook.own.signals(0.1, pack_current=[1.0], pack_voltage=[1.0, 2.0])


def test_mistakes_are_told_as_in_the_command(fleet: herdbook.Fleet, tmp_path: Path) -> None:
    with pytest.raises(NotKnownError, match="distance_km"):
        fleet.metrics(["distance"])
    with pytest.raises(NotKnownError, match="pack_current"):
        fleet.signals("TOY-007", ["pack_curent"])
    with pytest.raises(NotKnownError, match="Such"):
        fleet.signals("TOY-007", ["pack_current", "No.Such"])
    with pytest.raises(NotKnownError, match="nobody"):
        fleet.signals("nobody", ["pack_current"])
    with pytest.raises(SettingsError, match="SQL"):
        fleet.sql("SELECT nothing FROM nowhere")
    with pytest.raises(SettingsError, match="moment"):
        fleet.sessions(since="yesterday")
    with pytest.raises(StoreError):
        herdbook.open(tmp_path / "none")


def test_a_log_is_decoded_by_its_dbc(tmp_path: Path) -> None:
    log = toy.write(tmp_path / "a.log", toy.day())
    tables = herdbook.decode(log, dbc=DATA / "toy.dbc")
    assert all("t" in table.columns and table.height for table in tables.values())


def test_logs_are_judged_as_a_scan_judges_them_and_nothing_is_kept(fleet: herdbook.Fleet, tmp_path: Path) -> None:
    log = toy.write(tmp_path / "a.log", toy.day())
    before = sorted(tmp_path.iterdir())
    said = herdbook.judge(log, profile=PROFILE)
    assert sorted(tmp_path.iterdir()) == before
    assert said.vehicle == "TOY-007"
    same = ["rule", "item", "severity", "statement", "confidence"]
    assert said.findings.select(same).equals(fleet.findings().select(same))
    assert "TOY-007" in repr(said)
    assert herdbook.judge([tmp_path], profile=PROFILE, page=tmp_path).metrics.height == said.metrics.height
    assert (tmp_path / "dossier-TOY-007.html").is_file()


def test_what_cannot_be_judged_says_why(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no log"):
        herdbook.judge(tmp_path, profile=PROFILE)
    bad = tmp_path / "bad.log"
    bad.write_text("no log at all\n")
    with pytest.raises(InputError, match="reader"):
        herdbook.judge(bad, profile=PROFILE)


def test_sql_lets_one_select_through_and_notices_a_damaged_part(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    toy.write(bench.inbox / "a.log", toy.day())
    bench.scan()
    fleet = herdbook.open(bench.store.folder)
    for statement in ("COPY (SELECT 1) TO 'x.csv'", "SELECT 1; SELECT 2", "DROP TABLE logs", ""):
        with pytest.raises(SettingsError, match="SELECT"):
            fleet.sql(statement)
    (part,) = bench.store.lake.root.rglob("*.parquet")
    data = bytearray(part.read_bytes())
    data[len(data) // 3] ^= 4
    part.chmod(0o640)
    part.write_bytes(data)
    with pytest.raises(StoreError):
        fleet.sql("SELECT count(*) AS n FROM toy.pack")


def test_what_logs_say_against_a_profile_is_in_the_judgement(tmp_path: Path) -> None:
    """The pack's current with its sign reversed: the voltage rises under load, which no pack does."""
    demo = Path(__file__).parents[2] / "dbc_demo"
    text = (demo / "zirbel.toml").read_text("utf-8")
    right = 'pack_current = "BMS_Pack.PackCurrent"'
    assert right in text
    (tmp_path / "zirbel.toml").write_text(
        text.replace(right, 'pack_current = { signal = "BMS_Pack.PackCurrent", scale = -1 }')
    )
    (tmp_path / "zirbel.dbc").write_bytes((demo / "zirbel.dbc").read_bytes())
    log = demo.parent / "demo_logs" / "fleet" / "ZB-0103_2026-03-04_ride.blf"
    said = herdbook.judge(log, profile=tmp_path / "zirbel.toml")
    assert any("sign of the pack current contradicts the voltage" in doubt for doubt in said.doubts)
    assert "doubted" in repr(said)
    assert herdbook.judge(log, profile=demo / "zirbel.toml").doubts == ()
