"""Herdbook: CAN logs of a fleet of light electric vehicles, turned into answers with evidence.

import herdbook

herdbook.decode("ride.blf", dbc="board.dbc")            # {"BMS_Pack": polars.DataFrame, ...}
herdbook.judge("ride.blf", profile="board.toml")        # findings and scores, without a store
fleet = herdbook.open("store")                          # vehicles, sessions, metrics, findings, signals, SQL

What stands in __all__ is public and keeps its name, its arguments and what it returns; the rest may change. Behind it:
herdbook.decoders (bytes to columns), herdbook.pipeline (columns to answers), herdbook.flows (the night under Prefect).
"""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from herdbook.fleet import Fleet
    from herdbook.fleet import open_fleet as open
    from herdbook.logs import Judgement, decode, judge

__all__ = ["Fleet", "Judgement", "__version__", "decode", "judge", "open"]

try:
    __version__ = version("herdbook")
except PackageNotFoundError:  # run from a folder that was never installed
    __version__ = "0"

_WHERE = {  # loaded when first asked for: the command imports this package too, and must start at once
    "Fleet": ("herdbook.fleet", "Fleet"),
    "open": ("herdbook.fleet", "open_fleet"),
    "Judgement": ("herdbook.logs", "Judgement"),
    "decode": ("herdbook.logs", "decode"),
    "judge": ("herdbook.logs", "judge"),
}


def __getattr__(name: str) -> Any:
    if name not in _WHERE:
        raise AttributeError(f"module 'herdbook' has no attribute {name!r}")
    from importlib import import_module

    module, own = _WHERE[name]
    return getattr(import_module(module), own)


def __dir__() -> list[str]:
    return sorted([*globals(), *_WHERE])
