"""Statements lie beside the module that asks, each headed by what goes in and what comes out."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from herdbook.pipeline.store.statements import ask, has, statement

ROOT = Path(__file__).parents[2]
FILES = sorted(
    p for room in ("lake", "store", "intake", "upkeep") for p in (ROOT / "pipeline" / room / "sql").glob("*")
)


def test_a_statement_is_found_beside_its_module() -> None:
    text = statement("herdbook.pipeline.upkeep.repair", "parts_checked")
    assert text == (ROOT / "pipeline" / "upkeep" / "sql" / "parts_checked.sql").read_text("utf-8")
    with pytest.raises(FileNotFoundError):
        statement("herdbook.pipeline.upkeep.repair", "no_such_statement")


@pytest.mark.parametrize("path", FILES, ids=lambda p: f"{p.parts[-3]}/{p.name}")
def test_a_statement_says_what_goes_in_and_out(path: Path) -> None:
    text = path.read_text("utf-8")
    assert text.startswith(f"-- {path.stem}: ")
    assert "-- In: " in text
    assert "Out: " in text
    room = (ROOT / "pipeline" / path.parts[-3]).glob("*.py")
    assert any(f'"{n}"' in p.read_text("utf-8") for p in room for n in (path.stem, path.name)) or path.stem in (
        "enter_vehicles",
        "enter_installs",
    )


def test_rows_come_as_dicts(tmp_path: Path) -> None:
    con = duckdb.connect()
    con.execute("CREATE TABLE quarantine (path VARCHAR, name VARCHAR, log VARCHAR)")
    con.execute("INSERT INTO quarantine VALUES ('/a', 'a', '1'), ('/b', 'b', '2')")
    room = "herdbook.pipeline.intake.ledger"
    assert ask(con, room, "quarantined_paths", all=False, names=["a", "2"]) == [{"path": "/a"}, {"path": "/b"}]
    assert ask(con, room, "quarantined_paths", all=False, names=[]) == []
    assert len(ask(con, room, "quarantined_paths", all=True, names=[])) == 2
    assert (has(con, "quarantine"), has(con, "mutes")) == (True, False)
