"""The demo's service book: made again byte for byte, entered whole, and read as it was drawn."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from demo_logs.plan import units
from demo_logs.write_book import OF_LOGGED, STILL_FAIL, write_book
from herdbook.pipeline.book import book
from herdbook.pipeline.book.table_file import read_entries
from herdbook.pipeline.commands.terminal.herd_batches import batches
from herdbook.pipeline.herd.batch_failures import batch_failures
from herdbook.pipeline.herd.campaign_counts import campaign_counts
from herdbook.pipeline.herd.horizon import record_end
from herdbook.pipeline.intake.master_data import take_master_data
from herdbook.pipeline.store.publish import publish
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import utc_now
from tests.book.rows import UTC
from tests.toy.bench import DATA

HERE = Path(__file__).resolve().parents[2] / "demo_logs"
BOOK = HERE / "book"


def test_the_committed_files_can_be_made_again(tmp_path: Path) -> None:
    write_book(7, tmp_path)
    for name in ("vehicles.csv", "book.csv"):
        assert (tmp_path / name).read_bytes() == (BOOK / name).read_bytes()


def test_what_people_found_agrees_with_the_truth() -> None:
    """A finding that the book confirms is about a vehicle with a fault; none is confirmed of a sound one."""
    truth = {v["vehicle"]: v["faults"] for v in json.loads((HERE / "truth.json").read_text("utf-8"))["vehicles"]}
    assert set(truth) == {unit.vehicle.name for unit in units(7)}
    for vehicle, *_, outcome, _ in OF_LOGGED:
        assert truth[vehicle] or outcome != "confirmed"


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    """The listed vehicles and their book, without the entries about vehicles with logs: no scan ran here."""
    folder = tmp_path_factory.mktemp("demo_book")
    made = Store.create(folder / "store", DATA)
    text = (made.folder / "herdbook.toml").read_text("utf-8")
    (made.folder / "herdbook.toml").write_text(f'vehicles = "{BOOK / "vehicles.csv"}"\n{text}', "utf-8")
    opened = Store.open(made.folder)
    take_master_data(opened)
    publish(opened)
    rows = list(csv.DictReader((BOOK / "book.csv").read_text("utf-8").splitlines()))
    logged = {told[0] for told in OF_LOGGED}
    sheet = folder / "sheet.csv"
    with sheet.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(row for row in rows if row["vehicle"] not in logged)
    given = read_entries(sheet, lambda _: UTC)
    assert not given.refused
    refused, entered = book.write(opened, given.drafts)
    assert not refused
    assert len(entered) == len(given.drafts) > 700
    return opened


def test_the_batch_is_told_from_the_route(store: Store) -> None:
    with store.read() as con:
        found, _ = batch_failures(con, utc_now())
    told = {(f.about, f.batch): f for f in found}
    pack, belt = told["pack", "P-8"], told["belt", "R-42"]
    assert pack.differs
    assert pack.ratio is not None
    assert pack.ratio.low < 6 < pack.ratio.high  # as drawn
    assert belt.crude.p < 0.001
    assert belt.crude.low > 1.5
    assert not belt.differs
    assert belt.ratio is not None
    assert belt.ratio.low < 1 < belt.ratio.high  # as drawn
    assert belt.words == "differs over all, not within sites and zones: who rides where may explain it"
    assert belt.strata == 2


def test_the_campaign_made_belts_fail_less_often(store: Store) -> None:
    """Drawn: a quarter as often from its day on; nothing at the placebo date, and nothing of the packs."""
    with store.read() as con:
        until = record_end(con, utc_now())
        belts = campaign_counts(con, "belt guard", "repairs", part="belt", days=100.0, until=until)
        packs = campaign_counts(con, "belt guard", "repairs", part="pack", days=100.0, until=until)
    assert (belts.first, belts.last, belts.got, belts.others) == ("2025-12-10", "2025-12-10", 60, 60)
    assert belts.effect is not None
    assert belts.effect.low < STILL_FAIL < belts.effect.high < 1
    assert "rarer" in belts.words
    [placebo] = belts.placebos
    assert placebo.effect.low < 1 < placebo.effect.high
    assert packs.effect is not None
    assert packs.effect.low < 1 < packs.effect.high


def test_the_command_says_so(store: Store, capsys: pytest.CaptureFixture[str]) -> None:
    batches(store=store.folder, json=False)
    said = " ".join(capsys.readouterr().out.split())
    assert "Failures of parts by batch" in said
    batches(store=store.folder, json=True)
    plain = json.loads(capsys.readouterr().out)
    assert {f["batch"] for f in plain["failures"]} == {"P-7", "P-8", "R-41", "R-42"}
    assert plain["failures"][0]["ratio"]["p"] < 1e-6
