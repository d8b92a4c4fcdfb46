"""A signed file as found, a history or a certificate, and its JSON read so that it can be read in one way alone.

What could be read in two ways is refused: a key that stands twice, a number that is not written as its value is.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

Document = dict[str, Any]


@dataclass(frozen=True, slots=True)
class SignedFile:
    """text: the whole file; of a PDF the page in it. form: "html", "csv" or "json". made: what it says. paper: the PDF
    that the page was found in."""

    path: Path
    text: str
    form: str
    made: Document
    paper: bytes = b""

    @property
    def public_key(self) -> str:
        """The key that it says it is signed with; "" for a file of before there were signatures."""
        return str(self.made.get("public_key") or "")


class TwiceError(ValueError):
    """Something that could be read in two ways."""


def strict_json(text: str) -> Document:
    """Raises: ValueError, TypeError for what is no JSON object; TwiceError."""
    made = json.loads(text, object_pairs_hook=_once, parse_float=_exact, parse_int=_whole, parse_constant=_no_number)
    if not isinstance(made, dict):
        raise TypeError
    return made


def _once(pairs: list[tuple[str, Any]]) -> Document:
    made = dict(pairs)
    if len(made) != len(pairs):
        names = [name for name, _ in pairs]
        raise TwiceError(f"{next(n for n in names if names.count(n) > 1)!r} stands twice")
    return made


def _exact(digits: str) -> float:
    """A number whose digits are those we would write, so that no digit can be changed without changing the value."""
    if repr(float(digits)) != digits:
        raise TwiceError(f"{digits} is not a number as we write it")
    return float(digits)


def _whole(digits: str) -> int:
    if str(int(digits)) != digits:
        raise TwiceError(f"{digits} is not a number as we write it")
    return int(digits)


def _no_number(name: str) -> float:
    raise TwiceError(f"{name} is no number")
