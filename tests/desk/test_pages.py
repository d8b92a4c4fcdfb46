"""Fleet, vehicle and night as they are asked for: hostile texts, bad addresses, a store replaced underneath."""

from __future__ import annotations

import csv
import io

import httpx
import pyarrow.parquet as pq
import pytest
from openpyxl import load_workbook

from herdbook.pipeline.desk.published import Publications
from herdbook.pipeline.store.store import Store
from tests.desk.conftest import served, stranger
from tests.reports.made_up import HOSTILE


def names(text: str) -> list[str]:
    return [row["vehicle"] for row in csv.DictReader(io.StringIO(text))]


def test_the_list_is_sorted_and_searched_in_the_database(client: httpx.Client) -> None:
    whole = names(client.get("/table/fleet?as=csv&all=1").text)
    assert whole[0] == "VX-014"  # the gravest first
    assert len(whole) == 4
    assert names(client.get("/table/fleet?as=csv&find=vx-01+B-07&show=clear").text) == ["VX-015", "VX-016"]
    by_name = names(client.get("/table/fleet?as=csv&sort=vehicle&down=1").text)
    assert by_name == sorted(whole, reverse=True)
    assert names(client.get("/table/fleet?as=csv&show=silent").text) == ["VX-016"]
    shown = client.get("/fleet?find=nothing-like-it").text
    assert "No vehicle fits" in shown


@pytest.mark.parametrize("sort", ["vehicle; DROP TABLE findings", "'", '"', "vehicle, (SELECT 1)"])
def test_a_column_that_there_is_not_sorts_nothing(client: httpx.Client, sort: str) -> None:
    assert client.get("/fleet", params={"sort": sort, "page": "-3"}).status_code == 200
    assert client.get("/fleet", params={"page": "9999999999999"}).status_code == 200


def test_hostile_texts_are_text(client: httpx.Client) -> None:
    page = client.get("/vehicle", params={"v": HOSTILE})
    assert page.status_code == 200
    assert "<script>" not in page.text.replace('<script src="/assets/', "")
    assert "<img" not in page.text
    assert client.get("/fleet").status_code == 200


@pytest.mark.parametrize(
    ("path", "code", "words"),
    [
        ("/vehicle?v=VX-999", 404, "VX-999"),
        ("/vehicle", 404, "not in the catalogue"),
        ("/night?scan=nothing", 404, "No night"),
        ("/table/passwords", 404, "There is no table"),
        ("/table/fleet?as=exe", 400, "Choose csv, xlsx or parquet"),
        ("/nowhere", 404, "no page"),
    ],
)
def test_a_bad_address_is_told(client: httpx.Client, path: str, code: int, words: str) -> None:
    said = client.get(path)
    assert said.status_code == code
    assert words in said.text
    assert "Traceback" not in said.text


def test_files_hold_what_the_page_shows(client: httpx.Client) -> None:
    parquet = pq.read_table(io.BytesIO(client.get("/table/findings?v=VX-014&as=parquet").content))
    assert parquet["rule"].to_pylist() == ["brake_refused", "cell_resistance"]
    sheet = load_workbook(io.BytesIO(client.get("/table/findings?as=xlsx").content)).active
    assert sheet is not None
    rows = [list(row) for row in sheet.iter_rows()]
    assert len(rows) == 4
    assert not [c for row in rows for c in row if c.data_type == "f"]


def test_the_night_tells_what_is_open_and_what_is_new(client: httpx.Client) -> None:
    text = client.get("/night").text
    assert "nobody has acknowledged it" in text
    assert "Brake asked for and not delivered" in text
    older = client.get("/night?scan=scan-1").text
    assert "The night of 2026" in older


def test_a_store_replaced_underneath_is_seen_at_once(own_store: Store) -> None:
    import duckdb

    with served(own_store) as listening, stranger(listening, follow=True) as client:
        assert "VX-015" in client.get(listening.address).text
        held = own_store.folder / "held.duckdb"
        own_store.fleet.rename(held)
        copy = own_store.folder / "copy.duckdb"
        copy.write_bytes(held.read_bytes())
        with duckdb.connect(str(copy)) as con:
            con.execute("UPDATE vehicles SET vehicle = 'VX-777' WHERE vehicle = 'VX-015'")
        assert client.get("/fleet").status_code == 503  # between the two there is nothing
        copy.rename(own_store.fleet)
        text = client.get("/fleet").text
        assert "VX-777" in text
        assert "VX-015" not in text


def test_a_copy_of_another_version_is_told(own_store: Store) -> None:
    import duckdb

    own_store.fleet.chmod(0o640)
    with duckdb.connect(str(own_store.fleet)) as con:
        con.execute("DROP TABLE fleet_log")
    with served(own_store) as listening, stranger(listening, follow=True) as client:
        said = client.get(listening.address)
        assert said.status_code == 503
        assert "another version of Herdbook" in said.text
        assert "herdbook store publish" in said.text
        own_store.fleet.unlink()
        own_store.fleet.write_text("no database at all")
        said = client.get("/fleet")
        assert said.status_code == 503
        assert "Traceback" not in said.text


def test_a_copy_from_before_there_was_a_service_book_is_shown(own_store: Store) -> None:
    import duckdb

    own_store.fleet.chmod(0o640)
    with duckdb.connect(str(own_store.fleet)) as con:
        con.execute("DROP VIEW stop_use_matters")
    with served(own_store) as listening, stranger(listening, follow=True) as client:
        assert "Stop use" in client.get(listening.address).text
        for path in ("night", "vehicle?v=VX-014", "batch?v=VX-014", "history?v=VX-014"):
            assert (path, client.get(path).status_code) == (path, 200)
        night = client.get("night").text  # what stands is open: nobody said anything else
        assert "No stop-use finding is open" not in night
        assert "nobody has acknowledged it" in night
        assert "VX-014" in night[night.index("Must not be used") : night.index("What changed")]


def test_who_reads_long_keeps_what_he_reads(own_store: Store) -> None:
    publications = Publications(own_store)
    before = publications.connection()
    own_store.fleet.rename(own_store.folder / "old.duckdb")
    own_store.fleet.write_bytes((own_store.folder / "old.duckdb").read_bytes())
    after = publications.connection()
    assert before.execute("SELECT count(*) FROM vehicles").fetchone() == (4,)
    assert after.execute("SELECT count(*) FROM vehicles").fetchone() == (4,)
    assert not list((own_store.folder / "desk").glob("*.duckdb"))
    publications.close()
