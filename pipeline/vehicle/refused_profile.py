"""A profile that is refused, and what is known of it all the same: its name, whose logs it would claim, and what is
wrong. Read line by line, because the file may be no TOML at all; a line that is none says nothing.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from herdbook.pipeline.errors import ProfileError
from herdbook.pipeline.times import instant

if TYPE_CHECKING:
    from herdbook.decoders import Network

HEADER = re.compile(r"\s*\[{1,2}\s*([\w.-]+)\s*\]{1,2}\s*(#.*)?$")


@dataclass(frozen=True)
class RefusedProfile:
    """family, path_pattern, valid_from and valid_to (microseconds UTC) as far as the file still says them."""

    name: str
    path: Path
    error: ProfileError
    family: str = ""
    path_pattern: str = ""
    valid_from: int | None = None
    valid_to: int | None = None
    dbc: tuple[Path, ...] = ()

    @property
    def words(self) -> str:
        """What is wrong, with the file, in one line."""
        return f"profile {self.name} is refused: {' '.join(str(self.error).split())}"

    def covers(self, t: int) -> bool:
        """True when the profile would be valid at t (microseconds UTC)."""
        return valid_at(t, self.valid_from, self.valid_to)

    @cached_property
    def networks(self) -> tuple[Network, ...]:
        """Those of its DBC files that can be read, each by itself, whatever bus they are for."""
        from herdbook.decoders import DecoderError, Network

        found = []
        for path in self.dbc:
            try:
                found.append(Network.load([path], True))
            except (DecoderError, OSError):
                continue
        return tuple(found)

    @property
    def knows_its_identifiers(self) -> bool:
        """False where a DBC file of it is missing or cannot be read, or it names none."""
        return bool(self.dbc) and len(self.networks) == len(self.dbc)


def valid_at(t: int, start: int | None, end: int | None) -> bool:
    """True from start on until before end; None is open. All in microseconds UTC."""
    return (start is None or t >= start) and (end is None or t < end)


def refused(path: Path, error: ProfileError) -> RefusedProfile:
    """What can still be read of a profile that was refused."""
    try:
        text = path.read_bytes()[:1_000_000].decode("utf-8", "replace")
    except OSError:
        text = ""
    said = list(_said(text))
    first = {(table, key): value for table, key, value in reversed(said)}
    name = first.get(("", "name"), path.stem)
    return RefusedProfile(
        name=str(name),
        path=path,
        error=error,
        family=str(first.get(("", "family"), name)),
        path_pattern=_pattern(first.get(("identity", "path"))),
        valid_from=instant(first.get(("valid", "from"))),
        valid_to=instant(first.get(("valid", "to"))),
        dbc=tuple(path.parent / str(value) for table, key, value in said if (table, key) == ("bus", "dbc")),
    )


def _pattern(value: object) -> str:
    """A pattern that names a vehicle, "" for anything else."""
    try:
        return str(value) if "vehicle" in re.compile(str(value)).groupindex else ""
    except re.error:
        return ""


def _said(text: str) -> Iterator[tuple[str, str, object]]:
    """(table, key, value) of every line that says one by itself."""
    table = ""
    for line in text.splitlines():
        if header := HEADER.match(line):
            table = header[1]
            continue
        try:
            yield from ((table, key, value) for key, value in tomllib.loads(line).items())
        except tomllib.TOMLDecodeError:
            continue
