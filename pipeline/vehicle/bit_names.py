"""What the bits of a fault word mean, where a DBC file says so: in a value table, a comment, or by flags' own names."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from herdbook.decoders import Signal

LONGEST = 60
_IN_COMMENT = re.compile(r"\bbit\s*(\d{1,2})\s*(?::|=|-|–)?\s*([^,;\n]+)", re.IGNORECASE)
_LISTED = re.compile(r"(?:^|[,;\n])\s*(?:bit\s*)?(\d{1,2})\s*(?::|=|-|–)?\s*([^\W\d][^,;\n]*)", re.IGNORECASE)


def names_of_bits(signal: Signal | None) -> dict[int, str]:
    """By bit. A value table counts when it names values of one bit each (1, 2, 4, ...), beside 0 for none; a comment
    when it lists "bit 0: over voltage; bit 1: ..."."""
    if signal is None:
        return {}
    table = {raw: word for raw, word in signal.states.items() if raw != 0}
    if table and all(raw > 0 and raw & (raw - 1) == 0 for raw in table) and (len(table) > 2 or max(table) > 2):
        return {raw.bit_length() - 1: _short(word) for raw, word in table.items()}
    return _in_comment(signal.comment, signal.length)


def _in_comment(comment: str, length: int) -> dict[int, str]:
    """Every bit with the word before it ("bit 0 encoder, bit 1 ..."), or a list that says the word once ("bits: 0 over
    voltage, 1 ..."), whose numbers rise from 0 or 1."""
    if len(found := _IN_COMMENT.findall(comment)) < 2:
        listed = _LISTED.findall(re.sub(r"^\W*bits?\b\s*:?\s*", "", comment.strip(), flags=re.IGNORECASE))
        numbers = [int(bit) for bit, _ in listed]
        starts = re.match(r"\W*bits?\b", comment.strip(), re.IGNORECASE) is not None
        if starts and len(listed) > 1 and numbers[0] < 2 and numbers == sorted(set(numbers)):
            found = listed
        elif not re.search(r"\bbit\s*\d{1,2}\s*[:=–-]", comment, re.IGNORECASE):
            found = []  # "bit 3 of the word" names nothing
    return {int(bit): _short(word) for bit, word in found if int(bit) < length}


def names_of_flags(signals: Sequence[Signal | None]) -> dict[int, str]:
    """By place in the list: the flag's comment where it is a short one, else its name in words."""
    named = {}
    for place, signal in enumerate(signals):
        if signal is not None:
            comment = signal.comment.split("\n")[0].split(". ")[0].strip(" .")
            named[place] = comment if 0 < len(comment) <= LONGEST else in_words(signal.name)
    return named


def in_words(name: str) -> str:
    """OverVolt_Cell -> over volt cell; names that are no such compounds stay as they are."""
    spaced = re.sub(r"(?<=[a-z0-9])(?=[A-Z])|_+", " ", name).strip()
    return " ".join(w.lower() if w[1:].islower() or len(w) == 1 else w for w in spaced.split())


def _short(text: str) -> str:
    return " ".join(text.replace("_", " ").split()).strip(" .")[:LONGEST]
