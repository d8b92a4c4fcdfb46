"""The sheet of a test on the stand: a TOML file that says what was tried, by which instruments, in which conditions.

    test = "coast-down"                 # or "drive", "pack"
    name = "Zirbel 12, tyre A"          # what the page is headed with
    mass_kg = 101.4                     # keys of the test: see `herdbook help stand`

Every key is asked for by name with its unit and what is possible, so a wrong or unknown one is told with the file.
"""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from herdbook.pipeline.errors import InputError

TESTS = ("coast-down", "drive", "pack")
MOST_BYTES = 1_000_000
GUIDE = "`herdbook help stand` lists the keys"


@dataclass
class Sheet:
    """A table of the sheet. place: what it is called in messages; asked: keys somebody has asked for."""

    path: Path
    raw: dict[str, Any]
    place: str = ""
    asked: set[str] = field(default_factory=set)

    def wrong(self, key: str, what: str, do: str = GUIDE) -> InputError:
        return InputError(f"{self.place}{key} {what}", self.path, do)

    def has(self, key: str) -> bool:
        self.asked.add(key)
        return key in self.raw

    def number(self, key: str, unit: str, low: float, high: float, otherwise: float | None = None) -> float:
        """A number within low..high; `otherwise` where it is not given. Raises: InputError."""
        if not self.has(key):
            if otherwise is None:
                raise self.wrong(key, f"is missing. Give a number, {low:g} to {high:g} {unit}")
            return otherwise
        found = self.raw[key]
        fits = isinstance(found, int | float) and not isinstance(found, bool) and math.isfinite(found)
        if not fits or not low <= found <= high:
            raise self.wrong(key, f"is {found!r}, and must be a number, {low:g} to {high:g} {unit}")
        return float(found)

    def text(self, key: str, otherwise: str | None = None, among: Iterable[str] = ()) -> str:
        """A text, one of `among` where some are given. Raises: InputError."""
        if not self.has(key):
            if otherwise is None:
                raise self.wrong(key, "is missing. Give a text")
            return otherwise
        found, allowed = self.raw[key], tuple(among)
        if not isinstance(found, str) or not found.strip():
            raise self.wrong(key, f"is {found!r}, and must be a text")
        if allowed and found not in allowed:
            raise self.wrong(key, f"is {found!r}, and must be one of: {', '.join(allowed)}")
        return found

    def flag(self, key: str) -> bool:
        found = self.raw[key] if self.has(key) else False
        if not isinstance(found, bool):
            raise self.wrong(key, f"is {found!r}, and must be true or false")
        return found

    def file(self, key: str) -> Path | None:
        """A file beside the sheet (or wherever the path leads); None where it is not given. Raises: InputError."""
        if not self.has(key):
            return None
        found = self.path.parent / self.text(key)
        if not found.is_file():
            raise self.wrong(key, f"names {self.raw[key]!r}, which is no file here", "Paths are relative to the sheet")
        return found

    def texts(self, key: str, among: Iterable[str] = ()) -> list[str]:
        """A list of texts; empty where it is not given. Raises: InputError."""
        found = self.raw[key] if self.has(key) else []
        allowed = tuple(among)
        if not isinstance(found, list) or not all(isinstance(one, str) for one in found):
            raise self.wrong(key, f"is {found!r}, and must be a list of texts")
        if allowed and (odd := [one for one in found if one not in allowed]):
            raise self.wrong(key, f"has {odd[0]!r}, and may hold only: {', '.join(allowed)}")
        return list(found)

    def table(self, key: str) -> Sheet:
        """A table below this one; empty where it is not given. Raises: InputError."""
        found = self.raw[key] if self.has(key) else {}
        if not isinstance(found, dict):
            raise self.wrong(key, "must be a table, as in [" + key + "]")
        return Sheet(self.path, found, f"[{key}] ")

    def tables(self, key: str) -> list[Sheet]:
        """Tables of one name, as in [[run]]. Raises: InputError."""
        found = self.raw[key] if self.has(key) else []
        if not isinstance(found, list) or not all(isinstance(one, dict) for one in found):
            raise self.wrong(key, f"must be tables, as in [[{key}]]")
        return [Sheet(self.path, one, f"[[{key}]] {number}: ") for number, one in enumerate(found, start=1)]

    def all_known(self) -> None:
        """Raises: InputError for a key nobody asked for: it would be left out without a word."""
        for key in self.raw:
            if key not in self.asked:
                near = difflib.get_close_matches(key, self.asked, 1, 0.5)
                raise self.wrong(key, "is no key of this test" + (f"; did you mean {near[0]}?" if near else ""))


def read_sheet(path: Path | str, test: str = "") -> Sheet:
    """A sheet, of this test where one is named. Raises: InputError."""
    path = Path(path)
    try:
        if path.stat().st_size > MOST_BYTES:
            raise InputError("is too large for the sheet of a test", path, "Name the TOML file, not the log")
        raw = tomllib.loads(path.read_text("utf-8"))
    except OSError as error:
        why = error.strerror or str(error)
        raise InputError(f"cannot be read ({why})", path, "Name the TOML file that describes the test") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"is no TOML: {error}", path, "Name the TOML file that describes the test") from None
    sheet = Sheet(path, raw)
    said = sheet.text("test", among=TESTS)
    if test and said != test:
        raise InputError(f"is the sheet of a test of kind {said}", path, f"`herdbook stand {said}` reads it")
    return sheet


def name_of(sheet: Sheet) -> str:
    """What was tried."""
    return sheet.text("name", sheet.path.stem)
