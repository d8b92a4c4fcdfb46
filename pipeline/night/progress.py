"""How far a scan has come, told while it runs."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[int, int, str], None]  # done, of, stage


def silent(_done: int, _of: int, _stage: str) -> None:
    """For a scan that nobody watches."""
