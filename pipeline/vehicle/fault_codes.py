"""Numeric fault codes: a signal that says one number a fault, instead of a bit each.

Each code becomes a bit of the role's fault word, so that whatever reads fault words reads codes too: in the order of
the numbers, the last bit for every code that is not named. What "no fault" means becomes 0.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

MOST_CODES = 31  # a fault word has 32 bits; the last is for codes that nobody named
UNNAMED = MOST_CODES
NO_NAME = "unnamed code"
_NO_FAULT = re.compile(
    r"^(no|none|ok|okay|normal|no[ _-]*(faults?|errors?|alarms?|warnings?|failures?)|(fault|error)[ _-]*free)$", re.I
)
_A_FAULT = re.compile(
    r"fault|fail|error|alarm|over|under|short|hot|cold|stuck|lost|loss|broken|open|weld|trip|derat|time[ _-]*out|crc",
    re.I,
)
_NO_VALUE = re.compile(r"^(sna|snv|n/?a|invalid|not[ _-]*(available|valid)|signal[ _-]*not[ _-]*available|init)$", re.I)
Names = tuple[tuple[int, str], ...]  # by bit
Codes = tuple[tuple[int, int], ...]  # (raw number, bit); a bit of -1 is no fault


def codes_of(
    unit: str, entry: Mapping[str, object], words: Mapping[int, str]
) -> tuple[Codes, Names, tuple[float, ...]]:
    """Of an entry of a role of this unit: codes, names of their bits, numbers that are no value; nothing where it names
    no codes. words: the signal's value table. Raises: ValueError in words for people."""
    if "codes" not in entry:
        return (), (), ()
    if unit != "bits" or {"flags", "first_bit", "bits", "names"} & set(entry):
        raise ValueError("codes are for one signal of a fault role, whole; their names go into codes")
    codes, names = fault_codes(entry["codes"], words)
    return codes, tuple(sorted(names.items())), _no_value_codes(words)


def fault_codes(said: object, words: Mapping[int, str]) -> tuple[Codes, dict[int, str]]:
    """Codes and the names of their bits. said: true for the DBC file's own words, or {number or word = "name"}.

    words: the signal's value table. Raises: ValueError in words for people.
    """
    named = {raw: word for raw, word in words.items() if not _NO_VALUE.match(word.strip())}
    if isinstance(said, dict):
        named = _given(said, words) | {raw: word for raw, word in named.items() if _NO_FAULT.match(word.strip())}
    elif said is not True:
        raise ValueError('codes is true, or names them as in codes = { 3 = "over voltage" }')
    elif not named:
        raise ValueError(
            'codes = true takes the words of the DBC file, which has none here: codes = { 3 = "over voltage" }'
        )
    none = {raw for raw, word in named.items() if _NO_FAULT.match(word.strip())}
    if not _zero_is_a_fault(said, named, none):
        none.add(0)
    faults = sorted(set(named) - none)
    if len(faults) > MOST_CODES:
        raise ValueError(
            f"{len(faults)} codes are named; {MOST_CODES} can be told apart: name the ones that matter, as in "
            'codes = { 3 = "over voltage" }'
        )
    places = [(raw, -1) for raw in sorted(none)] + [(raw, place) for place, raw in enumerate(faults)]
    return tuple(places), {place: " ".join(named[raw].replace("_", " ").split()) for place, raw in enumerate(faults)}


def _zero_is_a_fault(said: object, named: Mapping[int, str], none: set[int]) -> bool:
    """0 says that all is well unless the profile names it a fault, or the DBC file's word for it is that of one."""
    if 0 not in named or 0 in none:
        return False
    return isinstance(said, dict) or _A_FAULT.search(named[0]) is not None


def words_of_codes(codes: Codes, names: Mapping[int, str]) -> dict[int, str]:
    """By bit, as a person reads it: "code 17 (over voltage)"."""
    said = {bit: f"code {raw} ({names[bit]})" if bit in names else f"code {raw}" for raw, bit in codes if bit >= 0}
    return said | {UNNAMED: NO_NAME}


def is_code(words: str) -> bool:
    """Are these words of words_of_codes()?"""
    return words == NO_NAME or re.match(r"code -?\d+", words) is not None


def _no_value_codes(words: Mapping[int, str]) -> tuple[float, ...]:
    """Numbers that say by their word that there is no value."""
    return tuple(float(raw) for raw, word in words.items() if _NO_VALUE.match(word.strip()))


def are_codes(words: Mapping[int, str]) -> bool:
    """Does a value table name codes, and not bits? Bits are 1, 2, 4 and so on, each with its own word."""
    faults = [raw for raw, word in words.items() if raw and not _NO_VALUE.match(word.strip())]
    return len(faults) > 1 and any(raw < 0 or raw & (raw - 1) for raw in faults)


def _given(said: dict[object, object], words: Mapping[int, str]) -> dict[int, str]:
    by_word = {word.strip().lower(): raw for raw, word in words.items()}
    found = {}
    for key, name in said.items():
        number = by_word.get(str(key).strip().lower(), key)
        if not re.fullmatch(r"-?\d+", str(number)):
            raise ValueError(f"codes: {key!r} is neither a number nor a word of the DBC file")
        found[int(str(number))] = str(name)
    return found
