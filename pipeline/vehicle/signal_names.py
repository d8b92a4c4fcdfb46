"""Names of many signals in one text, as a profile writes them: "Cells.Group{n:02d}", "A.C{1..4}", "Mod{0..7}.C{A..L}".

{n}, {n:02d}     the item's number
{1..4} {00..11}  a range, with leading zeros when its first end has them
{A..L}           letters
{1,2,7,x}        a list
Several braces multiply, the first one slowest: "M{1..2}.C{1..3}" is M1.C1, M1.C2, M1.C3, M2.C1, ...
"""

from __future__ import annotations

import re
from collections.abc import Collection
from itertools import product

MOST = 999  # items of a role
_NUMBER = re.compile(r"\{n(?::(0?\d?d))?\}")
_BRACE = re.compile(r"\{([^{}]*)\}")
_NAME = re.compile(r"([^.\s]+)\.([^\s]+)")


def counts_items(text: str) -> bool:
    """True when {n} stands in it: one name an item."""
    return bool(_NUMBER.search(text))


def expanded(text: str) -> list[str]:
    """Every name a text with ranges stands for; the text itself without any. {n} is left. Raises: ValueError."""
    pieces = _BRACE.split(text)
    fixed, braces = pieces[::2], pieces[1::2]
    choices = [[f"{{{body}}}"] if _NUMBER.fullmatch(f"{{{body}}}") else _choices(body, text) for body in braces]
    total = 1
    for some in choices:
        total *= len(some)
    if total > MOST:
        raise ValueError(f"{text!r} stands for {total} names; at most {MOST} are counted")
    return ["".join(a + b for a, b in zip(fixed, [*some, ""], strict=True)) for some in product(*choices)]


def _choices(body: str, text: str) -> list[str]:
    low, dots, high = (part.strip() for part in body.partition(".."))
    if dots and low.isascii() and low.isdigit() and high.isascii() and high.isdigit() and int(low) <= int(high):
        width = len(low) if low.startswith("0") and len(low) > 1 else 0
        if int(high) - int(low) >= MOST:
            raise ValueError(f"{text!r}: {{{body}}} is more than {MOST} names")
        return [f"{number:0{width}d}" for number in range(int(low), int(high) + 1)]
    if (
        dots
        and len(low) == len(high) == 1
        and low.isalpha()
        and low.isascii()
        and low <= high
        and _same_case(low, high)
    ):
        return [chr(code) for code in range(ord(low), ord(high) + 1)]
    if not dots and "," in body and all(part.strip() for part in body.split(",")):
        return [part.strip() for part in body.split(",")]
    raise ValueError(
        f"{text!r}: only {{n}} or {{n:02d}} may stand in a name, for roles that count items, or a range such as "
        "{1..4}, {00..11} or {A..L}, or a list such as {1,2,7}"
    )


def _same_case(low: str, high: str) -> bool:
    return (low + high).isascii() and (low + high).isalpha() and low.isupper() == high.isupper()


def filled(text: str, item: int | str) -> str:
    """The text with {n} as the item's number. Raises: ValueError when a brace is left."""
    out = _NUMBER.sub(lambda found: f"{item:{found[1] or 'd'}}", text) if isinstance(item, int) else text
    if "{" in out or "}" in out:
        raise ValueError(f"{text!r}: only {{n}} or {{n:02d}} may stand in a name, for roles that count items")
    return out


def message_and_signal(name: str) -> tuple[str, str]:
    """("Message", "Signal") of "Message.Signal". Raises: ValueError."""
    found = _NAME.fullmatch(name)
    if not found:
        raise ValueError(f"{name!r} is not Message.Signal")
    return found[1], found[2]


def numbers(text: object) -> list[int]:
    """Item numbers from "1..12", "1..4,6" or a list, without repeats. Raises: ValueError."""
    return _counted(text, 1, 'n = {!r} is not like "1..12", "1..4,6" or [1, 2, 3]', "n = {!r} is empty or repeats")


def values(text: object) -> list[int]:
    """Values of an index signal, from 0 on: "0..11", "0..3,8" or a list. Raises: ValueError."""
    return _counted(
        text, 0, 'index_values = {!r} is not like "0..11" or [0, 1, 2]', "index_values = {!r} is empty or repeats"
    )


def _counted(text: object, least: int, unlike: str, empty: str) -> list[int]:
    out: list[int] = []
    parts = text if isinstance(text, list) else str(text).split(",")
    for part in parts:
        low, _, high = str(part).strip().partition("..")
        if not low.isdigit() or (high and not high.isdigit()) or int(low) < least or int(high or low) > MOST:
            raise ValueError(unlike.format(text))
        out += range(int(low), int(high or low) + 1)
    if not out or len(set(out)) != len(out):
        raise ValueError(empty.format(text) + " a number")
    return out


def not_there(message: str, signal: str, units: Collection[tuple[str, str]]) -> str:
    """What to say of a signal that is not in the DBC files. units: every (message, signal) there is."""
    there = sorted(s for m, s in units if m == message)
    if there:
        return f"message {message} has no signal {signal}; it has {', '.join(there[:12])}"
    messages = sorted({m for m, _ in units})
    return f"the DBC files have no message {message}; they have {', '.join(messages[:12])}"
