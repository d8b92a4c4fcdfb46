"""Sheets as people send them: separators, encodings, formats, cells that are no text, and rows that are wrong."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import openpyxl
import pytest

from herdbook.pipeline.book.table_file import Given, read_entries
from herdbook.pipeline.errors import InputError
from tests.book.rows import UTC

HEAD = "vehicle,kind,when,by,part,serial,said"
ROW = 'ZB-1,fitted,2026-03-04,workshop,pack,P-1,"said, so"'


def read(path: Path, data: bytes | str, **more: str) -> Given:
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    return read_entries(path, lambda _: UTC, **more)


def _excel(text: str) -> str:
    return text.replace('"said, so"', "said so").replace(",", ";")


@pytest.mark.parametrize(
    ("made", "more"),
    [
        (lambda t: t.encode(), {}),
        (lambda t: t.encode("utf-8-sig"), {}),
        (lambda t: t.replace("\n", "\r\n").encode(), {}),
        (lambda t: t.encode("utf-16"), {}),
        (lambda t: _excel(t).encode(), {}),
        (lambda t: _excel(t).replace(";", "\t").encode(), {}),
        (lambda t: t.replace("said, so", "gesägt").encode("cp1252"), {"encoding": "cp1252"}),
        (lambda t: t.replace("vehicle", "Vehicle").replace("fitted", "Fitted").replace("pack", "Pack").encode(), {}),
    ],
)
def test_a_sheet_is_read_however_it_was_saved(
    tmp_path: Path, made: Callable[[str], bytes], more: dict[str, str]
) -> None:
    [draft] = read(tmp_path / "s.csv", made(f"{HEAD}\n{ROW}\n"), **more).drafts
    assert (draft.vehicle, draft.kind, draft.part, draft.serial) == ("ZB-1", "fitted", "pack", "P-1")
    assert draft.said in ("said, so", "said so", "gesägt")
    assert draft.source == "s.csv, line 2"


def test_a_workbook_gives_days_numbers_and_no_formula(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(["Vehicle", "Kind", "When", "By", "Part", "Serial", "Said"])
    sheet.append(["ZB-1", "fitted", datetime(2026, 3, 4), "workshop", "pack", 2204, None])
    sheet.append(["ZB-1", "fitted", datetime(2026, 3, 5, 10, 30), "workshop", "pack", 2205.0, None])
    book.save(tmp_path / "s.xlsx")
    given = read_entries(tmp_path / "s.xlsx", lambda _: UTC)
    assert [(d.serial, f"{d.from_t:%d %H:%M}") for d in given.drafts] == [("2204", "04 00:00"), ("2205", "05 10:30")]


def test_toml_gives_the_same(tmp_path: Path) -> None:
    text = '[[entry]]\nvehicle = "ZB-1"\nkind = "fitted"\nwhen = 2026-03-04\nby = "w"\npart = "pack"\nserial = "P-1"\n'
    [draft] = read(tmp_path / "s.toml", text).drafts
    assert (draft.serial, f"{draft.from_t:%Y-%m-%d}") == ("P-1", "2026-03-04")


def test_each_wrong_row_is_told_by_its_line_and_the_others_are_read(tmp_path: Path) -> None:
    rows = [
        ROW,
        "ZB-1,fited,2026-03-04,w,,,",
        "ZB-1,note,4.3.2026,w,,,x",
        ",note,2026-03-04,w,,,x",
        "",
        "ZB-1,note,2026-03-04,w,,,a,b",
        "ZB-1,struck,2026-03-04,w,,,x",
    ]
    given = read(tmp_path / "s.csv", "\n".join([HEAD, *rows]))
    assert len(given.drafts) == 1
    assert [(r.place, r.why.partition(".")[0]) for r in given.refused] == [
        ("line 3", "'fited' is no kind of entry"),
        ("line 4", "'4"),
        ("line 5", "vehicle is empty"),
        ("line 7", "'b' stands behind the last column; a value that holds the separator needs quotes"),
        ("line 8", "'struck' is no kind of entry"),
    ]


@pytest.mark.parametrize(
    ("name", "data", "said"),
    [
        ("s.csv", "vehicle,kind,wen\n", "'wen' is no column of the service book. Did you mean when?"),
        ("s.csv", "vehicle,kind\nx,y\n", "has no column when"),
        ("s.csv", f"{HEAD}\n", "holds no entry"),
        ("s.csv", b"\xff\xfe\x00", "line 1 is not text"),
        (
            "s.csv",
            f"{HEAD}\nZB-1,note,2026-03-04,w,,,S\xe4ge".encode("latin-1"),
            "line 2 is not text in utf-8. Save it",
        ),
        ("s.csv", f'{HEAD}\nZB-1,"note', "is no CSV"),
        ("s.csv", "vehicle,vehicle,kind,when\n", "the column vehicle stands twice"),
        ("s.xlsx", "no workbook", "is no workbook that can be read"),
        ("s.toml", "[[entry]\n", "is not TOML"),
        ("s.toml", '[[entry]]\nvehcle = "x"\n', "entry 1: 'vehcle' is no key of the service book"),
        ("s.doc", "x", ".doc is not read here"),
    ],
)
def test_a_file_that_cannot_be_used_says_why(tmp_path: Path, name: str, data: bytes | str, said: str) -> None:
    with pytest.raises(InputError, match=said.replace(".", r"\.").replace("?", r"\?")):
        read(tmp_path / name, data)
