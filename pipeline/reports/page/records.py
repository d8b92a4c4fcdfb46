"""Tables that a narrow screen shows row by row: each cell carries the name of its column, so that a phone can set a
row as a record (assets/page.css, `.rows`) and nothing has to be moved sideways. A cell with a very long word, a
hash or a file's name, is marked: it alone may be broken within the word. Tables of two columns fit as they are;
tables with a form of their own (causes, lines of a history, checks, the register) are left alone."""

from __future__ import annotations

import re

OWN_FORM = re.compile(r'\bid="(book|values)"|class="[^"]*\b(causes|told|checks|rests|rows)\b')
FEWEST = 3

_TABLE = re.compile(r"<table([^>]*)>(.*?)</table>", re.S)
_HEADS = re.compile(r"<th\b[^>]*>(.*?)</th>", re.S)
_ROW = re.compile(r"<tr\b.*?</tr>", re.S)
_CELL = re.compile(r"<t[dh]\b")
_TAG = re.compile(r"<[^>]*>")
_LONG = re.compile(r"\S{24}")
_CLASS = re.compile(r'class="')


def with_names(page: str) -> str:
    """The page with every cell of its wider tables named. Texts in it are escaped already, and stay so."""
    return _TABLE.sub(_named, page)


def _named(found: re.Match[str]) -> str:
    attributes, inside = found.groups()
    head, end, body = inside.partition("</thead>")
    names = [" ".join(_TAG.sub(" ", text).split()).replace('"', "&quot;") for text in _HEADS.findall(head)]
    if not end or len(names) < FEWEST or OWN_FORM.search(attributes):
        return found[0]
    told = _CLASS.sub('class="rows ', attributes, count=1) if "class=" in attributes else f'{attributes} class="rows"'
    return f"<table{told}>{head}{end}{_ROW.sub(lambda row: _row(row[0], names), body)}</table>"


def _row(row: str, names: list[str]) -> str:
    """The first cell is what the row is about and needs no name."""
    left = iter(names)
    next(left)
    first, *cells = _CELL.split(row)
    marks = _CELL.findall(row)
    if len(cells) != len(names):  # a cell across several columns
        return row
    out = [first, marks[0], cells[0]]
    for mark, cell, name in zip(marks[1:], cells[1:], left, strict=True):
        long = " data-long" if _LONG.search(_TAG.sub(" ", cell.partition(">")[2])) else ""
        out += [mark, f' data-name="{name}"{long}' if name else long, cell]
    return "".join(out)
