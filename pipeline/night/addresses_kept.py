"""Addresses that messages go to may be kept out of herdbook.toml: in the environment, or in a file of their own.

    notify = ["env:HERDBOOK_HOOK", "file:/run/secrets/hook"]

They are looked up when a message goes out, so that a secret may be changed while nights are served, and so that a
missing one costs that message and not the night. What stands for a secret is no secret: it may be shown.
"""

from __future__ import annotations

import os
from pathlib import Path

from herdbook.pipeline.operating_system import open_to_all


class AddressMissingError(LookupError):
    """The address is not where the settings say; the text names the place, never what is in it."""


def address_of(target: str) -> str:
    """The address itself. target: as [notify] has it. Raises: AddressMissingError."""
    place = target.partition(":")[2]
    if target.startswith("env:"):
        if not (found := os.environ.get(place, "").strip()):
            raise AddressMissingError(f"the environment has no {place}")
        return found
    if target.startswith("file:"):
        try:
            if open_to_all(Path(place)):
                raise AddressMissingError(f"everybody may read {place}: chmod 600 it")
            found = Path(place).read_text("utf-8").strip()
        except (OSError, UnicodeDecodeError) as error:
            said = getattr(error, "strerror", None) or type(error).__name__
            raise AddressMissingError(f"{place} cannot be read ({said})") from None
        if not found or "\n" in found:
            raise AddressMissingError(f"{place} does not hold one line")
        return found
    return target
