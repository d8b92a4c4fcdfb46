"""On which line of a TOML text a key stands. tomllib gives no places, and a person with a wrong profile needs them."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator

Key = tuple[str | int, ...]  # ("pack", "rated_ah"); ("bus", 0, "dbc") in the first [[bus]]
_PART = r"""(?:[A-Za-z0-9_-]+|"(?:[^"\\\n]|\\.)*"|'[^'\n]*')"""
_DOTTED = rf"{_PART}(?:\s*\.\s*{_PART})*"
_HEADER = re.compile(rf"\s*(\[\[|\[)\s*({_DOTTED})\s*\]")
_ENTRY = re.compile(rf"\s*({_DOTTED})\s*=")
_TOKEN = re.compile(
    r'"""(?:[^\\]|\\.)*?"""|\'\'\'.*?\'\'\'|"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'|#[^\n]*|[\[\]{}\n]', re.DOTALL
)


class KeyLines:
    """The lines of a text that is known to be TOML: of() a key, the nearest table's where the key itself has none."""

    def __init__(self, text: str) -> None:
        self.lines = dict(reversed(list(_keys(text))))  # the first place of a key stands

    def of(self, key: Key) -> int | None:
        while key and key not in self.lines:
            key = key[:-1]
        return self.lines.get(key)


def _keys(text: str) -> Iterator[tuple[Key, int]]:
    at, number = 0, 1
    table: Key = ()
    counts: Counter[Key] = Counter()
    while at < len(text):
        end = text.find("\n", at)
        line = text[at : end if end >= 0 else len(text)]
        if header := _HEADER.match(line):
            table = _inside(_parts(header[2]), counts)
            if header[1] == "[[":
                counts[table] += 1
                table = (*table, counts[table] - 1)
            yield table, number
        elif entry := _ENTRY.match(line):
            key = (*table, *_parts(entry[1]))
            for n in range(len(table) + 1, len(key) + 1):
                yield key[:n], number
            end = _value_end(text, at + entry.end())
        if end < 0:
            return
        number += text.count("\n", at, end + 1)
        at = end + 1


def _inside(named: Key, counts: Counter[Key]) -> Key:
    """A header's table with the number of each list it lies in: [bus.more] after two [[bus]] is ("bus", 1, "more")."""
    at: Key = ()
    for n, part in enumerate(named, start=1):
        at = (*at, part)
        if n < len(named) and counts[at]:
            at = (*at, counts[at] - 1)
    return at


def _parts(dotted: str) -> Key:
    return tuple(p[1:-1] if p[0] in "\"'" else p for p in re.findall(_PART, dotted))


def _value_end(text: str, at: int) -> int:
    """Where the line ends on which a value ends, -1 at the end of the text: texts and lists may take several."""
    depth = 0
    for token in _TOKEN.finditer(text, at):
        what = token[0]
        depth += (what in ("[", "{")) - (what in ("]", "}"))
        if what == "\n" and depth <= 0:
            return token.start()
    return -1
