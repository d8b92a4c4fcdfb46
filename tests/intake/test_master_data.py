"""Facts of vehicles come from one list for the fleet; it wins over sidecars, and a wrong one changes nothing."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

import tests.toy.logs as toy
from herdbook.pipeline.errors import InputError
from herdbook.pipeline.intake.master_data import read_master_data
from herdbook.pipeline.night.read_changes import last_night
from herdbook.pipeline.reports.history.document import document
from tests.toy.bench import Bench

CSV = "vehicle,batch,built,in_service,zone,customer_ref\nTOY-007,A7,2026-01-12,2026-02-01,Europe/Vienna,Van 3\nX,,,,,\n"
TOML = """["TOY-007"]
batch = "A7"
built = 2026-01-12
in_service = "2026-02-01"
zone = "Europe/Vienna"
customer_ref = "Van 3"
"""


@pytest.mark.parametrize(("name", "text"), [("v.csv", CSV), ("v.toml", TOML), ("v.csv", "\ufeff" + CSV)])
def test_csv_and_toml_say_the_same(tmp_path: Path, name: str, text: str) -> None:
    (tmp_path / name).write_text(text, "utf-8")
    assert read_master_data(tmp_path / name) == {
        ("TOY-007", "batch"): "A7",
        ("TOY-007", "built"): "2026-01-12",
        ("TOY-007", "in_service"): "2026-02-01",
        ("TOY-007", "zone"): "Europe/Vienna",
        ("TOY-007", "customer_ref"): "Van 3",
    }


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("2026-01-12", "12.1.2026", r"line 2: built = '12.1.2026' is no day"),
        ("Europe/Vienna", "Vienna", "line 2: zone 'Vienna' is no time zone"),
        ("batch,", "btach,", "'btach' is not known. Did you mean batch"),
        ("vehicle,", "unit,", "names no column vehicle"),
        ("X,,,,,", "TOY-007,,,,,B", "line 3: TOY-007 stands twice"),
        (
            "Van 3",
            "Van, red",
            "line 2: 'red' stands behind the last column; a value that holds",
        ),
    ],
)
def test_a_wrong_list_is_told_with_its_line(tmp_path: Path, old: str, new: str, said: str) -> None:
    (tmp_path / "v.csv").write_text(CSV.replace(old, new), "utf-8")
    with pytest.raises(InputError, match=said):
        read_master_data(tmp_path / "v.csv")


def test_a_line_that_ends_before_its_vehicle_is_told(tmp_path: Path) -> None:
    (tmp_path / "v.csv").write_text("batch,vehicle\nA7\nA7,TOY-007\n", "utf-8")
    with pytest.raises(InputError, match="line 2: vehicle must have 1 to 64 characters"):
        read_master_data(tmp_path / "v.csv")


def told(bench: Bench) -> str:
    night = last_night(bench.store)
    assert night is not None
    return " ".join(night.notes)


def test_the_list_is_taken_by_the_next_scan_and_wins_over_a_sidecar(bench: Bench) -> None:
    toy.write(bench.inbox / "a.log", toy.day())
    toy.write(bench.inbox / "a.log.toml", ['batch = "Z9"', 'customer_ref = "Van 1"'])
    bench.scan()
    about = "SELECT batch, built, in_service_by, customer_ref FROM vehicles"
    assert bench.ask(about) == [("Z9", None, None, "Van 1")]
    (bench.store.folder / "vehicles.csv").write_text(CSV, "utf-8")
    bench.store = replace(bench.store, settings=replace(bench.store.settings, vehicles="vehicles.csv"))
    bench.scan()
    assert bench.ask(about) == [("A7", date(2026, 1, 12), "list", "Van 3")]
    assert "by the list vehicles.csv, 1 vehicle has other facts now" in told(bench)
    said = " ".join(str(line["text"]) for line in document(bench.store, "TOY-007")["lines"])
    assert "The customer's own name of it is Van 3." in said
    assert "(by the list of vehicles)" in said
    bench.scan()
    assert told(bench) == ""
    (bench.store.folder / "vehicles.csv").write_text(CSV.replace("A7,2026-01-12", "B8,12.1.2026"), "utf-8")
    bench.scan()
    assert "the list of vehicles was not read, what it said before stays" in told(bench)
    assert bench.ask(about) == [("A7", date(2026, 1, 12), "list", "Van 3")]
