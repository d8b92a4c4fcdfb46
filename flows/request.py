"""What a night is asked to do and how it ended: plain data, the same with and without Prefect."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from herdbook.pipeline.settings import NightSettings

TOO_LONG = "the night took longer than [night] limit_h and was ended"
TOO_LONG_DO = "What was committed stays and the next night goes on from there; raise limit_h or workers"


@dataclass(frozen=True, slots=True)
class Request:
    """What the flow's process is asked to do; goes there as JSON. since, until: dates of a backfill."""

    kind: str  # night | backfill
    inbox: str
    store: str
    settings: NightSettings
    since: str = ""
    until: str = ""
    vehicles: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Ended:
    """How it ended. result: the change list as a dict, and what was sent. note: "" or what went wrong on the way
    although the night was finished."""

    result: dict[str, Any]
    note: str = ""

    @property
    def exit_code(self) -> int:
        return int(self.result["exit_code"])
