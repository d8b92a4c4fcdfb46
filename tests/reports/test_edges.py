"""Empty and unknown: a page that has nothing to say says so; a question that makes no sense is answered in words."""

from __future__ import annotations

from pathlib import Path

import pytest

from herdbook.pipeline.errors import NotKnownError, StoreError
from herdbook.pipeline.reports import verify_history, write_dossier, write_fleet, write_history
from herdbook.pipeline.settings import read_settings
from herdbook.pipeline.store.store import Store
from tests.reports.made_up import Catalogue


@pytest.fixture
def bare(tmp_path: Path) -> Store:
    """One vehicle, nothing else on record."""
    book = Catalogue(tmp_path)
    book.vehicle(
        "VX-001", batch=None, built=None, in_service=None, in_service_by=None, zone=None, first_t=None, last_t=None
    )
    book.store.lake.root.mkdir()
    return book.close()


def test_a_vehicle_without_a_record(bare: Store, out: Path) -> None:
    page = write_dossier(bare, "VX-001", out).read_text("utf-8")
    assert "No finding on VX-001 in the data available." in page
    assert page.count("not assessed") >= 8
    history = write_history(bare, "VX-001", out)
    assert "The date of building is not known." in history.read_text("utf-8")
    assert verify_history(bare, history).ok
    assert "vehicles/VX-001.html" not in write_fleet(bare, out / "site").read_text("utf-8").split("<script")[0]
    assert (out / "site" / "vehicles" / "VX-001.html").is_file()


def test_a_fleet_without_a_vehicle(tmp_path: Path, out: Path) -> None:
    assert "No stop-use finding stands" in write_fleet(Catalogue(tmp_path).close(), out).read_text("utf-8")


def test_an_unknown_vehicle_gets_near_names(store: Store, out: Path) -> None:
    with pytest.raises(NotKnownError, match=r"Nearest known: VX-01\d, VX-01\d"):
        write_dossier(store, "VX-0I4", out)


def test_nothing_published_yet(tmp_path: Path, out: Path) -> None:
    with pytest.raises(StoreError, match="Run a scan first"):
        write_fleet(Store(tmp_path, read_settings(tmp_path)), out)


def test_out_may_be_a_file_or_a_folder(store: Store, tmp_path: Path) -> None:
    assert write_dossier(store, "VX-015", tmp_path / "new" / "x.html") == tmp_path / "new" / "x.html"
    assert write_dossier(store, "VX-015", tmp_path / "folder") == tmp_path / "folder" / "dossier-VX-015.html"
    assert not list(tmp_path.rglob("*.part"))


def test_a_dossier_survives_a_lake_that_cannot_be_read(
    store: Store, out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise StoreError("a part of the lake is missing", "lake/x.parquet", "Run `herdbook store check`")

    monkeypatch.setattr("herdbook.pipeline.lake.read.load_signals", broken)
    page = write_dossier(store, "VX-014", out).read_text("utf-8")
    assert "VX-014 must not be used" in page
    assert "could not be read. lake/x.parquet: a part of the lake is missing." in page
