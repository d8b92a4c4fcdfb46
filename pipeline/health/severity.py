"""How bad a finding is, and which part of the vehicle it speaks of."""

from __future__ import annotations

from enum import StrEnum

SUBSYSTEMS = ("cells", "pack", "thermal", "charging", "braking", "drive", "remote link", "data")


class Severity(StrEnum):
    """From harmless to dangerous. note: worth knowing. service: somebody should look at it. stop-use: must not be
    ridden or charged until a qualified person has inspected it."""

    NOTE = "note"
    SERVICE = "service"
    STOP_USE = "stop-use"


_RANK: dict[str, int] = {word: place for place, word in enumerate(Severity)}


def rank(severity: str) -> int:
    """0 for a note, 2 for stop-use. Raises: ValueError for a word that is no severity."""
    return _RANK[severity] if severity in _RANK else _RANK[Severity(severity)]
