"""The history: complete, neutral, sourced, reproducible, dated; and a file that was touched does not pass."""

from __future__ import annotations

import csv
import io
import json
import re
from datetime import datetime, timedelta
from importlib.resources import files
from pathlib import Path
from typing import Any

import jsonschema  # type: ignore[import-untyped]
import pytest
from typer.testing import CliRunner

from herdbook.pipeline.cli import build
from herdbook.pipeline.errors import InputError, NotKnownError, SettingsError
from herdbook.pipeline.reports import verify_history, write_history
from herdbook.pipeline.reports.history.forms import ranges
from herdbook.pipeline.store.store import Store
from tests.reports.made_up import HOSTILE, T0, Catalogue

# words that blame, decide or overclaim; a warranty file must not hold them
LOADED = re.compile(
    r"\b(abus\w*|misus\w*|proves?|proven|void|negligen\w*|at fault|culprit|caused by|rider error)\b", re.I
)


def read(store: Store, out: Path, vehicle: str = "VX-014", **more: Any) -> dict[str, Any]:
    made: dict[str, Any] = json.loads(write_history(store, vehicle, out / "h.json", "json", **more).read_text("utf-8"))
    return made


@pytest.mark.parametrize("vehicle", ["VX-014", HOSTILE])
def test_the_json_keeps_to_its_schema(store: Store, out: Path, vehicle: str) -> None:
    """jsonschema judges; the schema is what we document."""
    schema = json.loads(files("herdbook.pipeline.reports.history").joinpath("schema.json").read_text("utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(read(store, out, vehicle), schema)


def test_no_line_blames_anybody(store: Store, out: Path) -> None:
    made = read(store, out)
    said = " ".join([*made["read_this"], *(line["text"] for line in made["lines"])])
    assert LOADED.search(said) is None
    assert "bench" not in " ".join(line["text"] for line in made["lines"] if line["section"] == "events").lower()


def test_every_line_about_records_names_its_logs(store: Store, out: Path) -> None:
    made = read(store, out)
    known = {log["no"] for log in made["logs"]}
    for line in made["lines"]:
        assert set(line["logs"]) <= known
        assert line["logs"] or line["basis"] in ("not known", "advice"), line["text"]
        assert bool(line["rule"]) == bool(line["rule_set"])


def test_gaps_clock_and_damage_are_told(store: Store, out: Path) -> None:
    lines = read(store, out)["lines"]
    unknown = [line["text"] for line in lines if line["section"] == "unknown"]
    said = " ".join(unknown)
    assert "no two rests at the same knee" in " ".join(line["text"] for line in lines if line["section"] == "open")
    assert sum(text.startswith("No record from") for text in unknown) == 7  # eight weekly logs, seven gaps
    assert "clock stepped back 3 h" in said
    assert "512 bytes of it could not be read" in said


def test_a_counter_that_goes_back_is_told_without_a_guess(store: Store, out: Path) -> None:
    """Written into the rows: 200 + 11.2 km at the end of week 5, 120 km at the start of week 6."""
    told = [line for line in read(store, out)["lines"] if "went back" in line["text"]]
    assert len(told) == 1
    assert "from 211.2\u00a0km on 2026-04-05 to 120.0\u00a0km on 2026-04-12" in told[0]["text"]
    assert "Why is not in the data" in told[0]["text"]


def test_extremes_name_value_and_day(store: Store, out: Path) -> None:
    said = [line["text"] for line in read(store, out)["lines"]]
    assert "Highest speed on record (median of five samples): 24.7\u00a0km/h, in the session of 2026-04-19." in said
    miles = [line["text"] for line in read(store, out, units="mi")["lines"]]
    assert "Highest speed on record (median of five samples): 15.3\u00a0mph, in the session of 2026-04-19." in miles


def test_miles_and_kilometres_agree(store: Store, out: Path) -> None:
    """1 mile is 1.609344 km by definition (international yard and pound agreement, 1959)."""
    by_unit = {}
    for units in ("km", "mi"):
        line = next(line for line in read(store, out, units=units)["lines"] if line["text"].startswith("Distance"))
        assert line["unit"] == units
        by_unit[units] = line
    assert by_unit["km"]["value"] == pytest.approx(1.609344 * by_unit["mi"]["value"], rel=1e-6)
    assert by_unit["km"]["value"] == pytest.approx(sum(6.2 + week for week in range(8)))
    assert by_unit["km"]["standard_error"] == pytest.approx(0.05 * 8**0.5, abs=1e-6)


def test_the_readers_zone_moves_days_and_not_instants(store: Store, out: Path) -> None:
    """2026-03-29 08:00 UTC is 10:00 in Vienna (summer time begins that day at 01:00 UTC) and 19:00 in Sydney."""
    vienna, sydney = (read(store, out, zone=zone) for zone in ("Europe/Vienna", "Australia/Sydney"))
    assert [log["from"] for log in vienna["logs"]] == [log["from"] for log in sydney["logs"]]
    page = write_history(store, "VX-014", out / "v.html", zone="Europe/Vienna").read_text("utf-8")
    assert "2026-03-22 09:00:00" in page
    assert "2026-03-29 10:00:00" in page
    assert "2026-03-29 19:00:00" in write_history(store, "VX-014", out / "s.html", zone="Australia/Sydney").read_text()


def test_a_past_date_gives_what_was_known_then(store: Store, out: Path) -> None:
    early = read(store, out, as_of=T0 + timedelta(days=31))
    late = read(store, out)
    assert len(early["logs"]) == 5  # weekly logs, each received a day later
    assert len(late["logs"]) == 8
    assert {line["rule"] for line in early["lines"] if line["rule"]} == {"cell_resistance"}
    assert {line["rule"] for line in late["lines"] if line["rule"]} == {"cell_resistance", "brake_refused"}
    before = read(store, out, as_of=T0 - timedelta(days=1))
    assert before["logs"] == []
    assert not [line for line in before["lines"] if line["rule"]]


def test_the_same_question_gives_the_same_bytes(store: Store, out: Path) -> None:
    for fmt in ("html", "csv", "json"):
        once, again = (write_history(store, "VX-014", out / f"{n}.{fmt}", fmt).read_bytes() for n in "ab")
        assert once == again


def test_csv_reads_back_whole(store: Store, out: Path) -> None:
    text = write_history(store, "VX-014", out / "h.csv", "csv").read_bytes().decode("utf-8")
    table = list(csv.DictReader(io.StringIO(text, newline="")))
    made = read(store, out)
    assert [r["text"] for r in table if r["record"] == "line"] == [line["text"] for line in made["lines"]]
    assert [r["sha256"] for r in table if r["record"] == "log"] == [log["sha256"] for log in made["logs"]]


def test_every_csv_column_is_documented_in_the_schema() -> None:
    from herdbook.pipeline.reports.history.forms import COLUMNS

    said = json.loads(files("herdbook.pipeline.reports.history").joinpath("schema.json").read_text("utf-8"))[
        "description"
    ]
    assert not [name for name in COLUMNS if not re.search(rf"\b{name}\b", said)]


def test_no_cell_of_the_csv_is_a_formula(tmp_path: Path) -> None:
    book = Catalogue(tmp_path)
    book.vehicle("=cmd()", batch="+1", zone=None)
    book.log("=cmd()", T0, name='=HYPERLINK("http://x")')
    rows = csv.DictReader(
        io.StringIO(write_history(book.close(), "=cmd()", tmp_path / "h.csv", "csv").read_text("utf-8"))
    )
    assert not [cell for row in rows for cell in row.values() if cell.startswith(("=", "+", "-", "@"))]


@pytest.mark.parametrize("fmt", ["html", "csv", "json"])
def test_an_untouched_file_matches_and_a_touched_one_does_not(parted: Store, tmp_path: Path, fmt: str) -> None:
    path = write_history(parted, "VX-020", tmp_path / f"h.{fmt}", fmt)
    found = verify_history(parted, path)
    assert found.ok, found.as_dict()
    text = path.read_bytes().decode("utf-8")
    touched = tmp_path / f"t.{fmt}"
    touched.write_bytes(text.replace("12.4", "11.4").encode())
    assert touched.read_bytes() != path.read_bytes()
    assert not verify_history(parted, touched).ok


def test_a_changed_part_is_noticed(parted: Store, tmp_path: Path) -> None:
    path = write_history(parted, "VX-020", tmp_path / "h.json", "json")
    part = next(parted.lake.root.glob("*.parquet"))
    kept = part.read_bytes()
    try:
        part.write_bytes(kept + b"x")
        failed = [check.what for check in verify_history(parted, path).checks if not check.ok]
        part.unlink()
        gone = [check.what for check in verify_history(parted, path).checks if not check.ok]
    finally:
        part.write_bytes(kept)
    assert failed == gone == ["The stored data behind it is unchanged"]


@pytest.fixture
def parted(tmp_path: Path) -> Store:
    """A store whose one log has a (made-up) part with the right hash."""
    import hashlib

    book = Catalogue(tmp_path)
    book.store.lake.root.mkdir()
    (book.store.lake.root / "p.parquet").write_bytes(b"columns")
    book.vehicle("VX-020")
    hash_ = hashlib.sha256(b"columns").hexdigest()
    log = book.log("VX-020", T0, part="p.parquet", part_hash=hash_)
    book.add("parts", log=log, part="p.parquet", hash=hash_)
    book.session("VX-020", T0, "ride", 0.5, [log])
    book.metric("VX-020", T0, "distance_km", 12.4, "km")
    return book.close()


@pytest.mark.parametrize("content", ["", "{}", "record,no\r\n", "<html></html>", '{"form": 1', "[]", "null"])
def test_what_is_no_history_is_refused_in_words(store: Store, tmp_path: Path, content: str) -> None:
    path = tmp_path / "x.json"
    path.write_text(content)
    with pytest.raises(InputError, match="not a history"):
        verify_history(store, path)


def test_wrong_wishes_are_named(store: Store, out: Path) -> None:
    with pytest.raises(SettingsError, match="Choose html"):
        write_history(store, "VX-014", out, "docx")
    with pytest.raises(SettingsError, match="Choose km"):
        write_history(store, "VX-014", out, units="furlongs")
    with pytest.raises(SettingsError, match="no such time zone"):
        write_history(store, "VX-014", out, zone="Mars/Olympus")
    with pytest.raises(NotKnownError, match="VX-014"):
        write_history(store, "VX-0l4", out)


def test_an_aware_date_is_taken_in_its_own_zone(store: Store, out: Path) -> None:
    aware = datetime.fromisoformat("2026-04-01T09:00:00+02:00")
    assert read(store, out, as_of=aware)["as_of"] == "2026-04-01T07:00:00.000000Z"


@pytest.mark.parametrize(("numbers", "said"), [([], ""), ([3], "3"), ([1, 2, 3, 7], "1-3, 7"), ([1, 3], "1, 3")])
def test_ranges(numbers: list[int], said: str) -> None:
    assert ranges(numbers) == said


@pytest.mark.parametrize(
    ("name", "more", "begins"),
    [
        ("x.json", [], "{"),
        ("x.CSV", [], "record,"),
        ("x.html", [], "<!doctype"),
        ("x.old", [], "<!doctype"),
        ("x.json", ["--format", "html"], "<!doctype"),
    ],
)
def test_the_name_of_the_file_says_its_form(
    store: Store, out: Path, monkeypatch: pytest.MonkeyPatch, name: str, more: list[str], begins: str
) -> None:
    """Where --format says nothing: a page in a file called .json would be taken for a document."""
    monkeypatch.setattr(Store, "open", lambda _: store)  # whose lake is made up
    given = ["history", "VX-014", "--store", str(store.folder), "--out", str(out / name), *more]
    assert CliRunner().invoke(build(), given).exit_code == 0
    assert (out / name).read_text("utf-8").lower().startswith(begins)
