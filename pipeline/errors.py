"""What can go wrong above the decoders. Every message says what happened, where, and what to do about it.

HerdbookError            exit code 1
|-- SettingsError        2   herdbook.toml or a command's argument makes no sense
|   `-- MissingExtraError 2  a package is not installed that only some of Herdbook needs
|-- ProfileError         3   a vehicle profile is wrong or does not fit its DBC files
|-- InputError           4   a log or a sidecar cannot be used (in a scan it is quarantined instead)
|-- StoreError           5   the store is missing, damaged, from a newer version, or out of room
|   |-- BusyError        6   another process is writing to the store
|   `-- DamagedPartError 5   one part of the lake is missing or damaged; the rest is fine
|-- NotKnownError        7   a vehicle, log or session that the store does not have
`-- BusError             9   a CAN bus cannot be opened, or went away
"""

from __future__ import annotations


class HerdbookError(Exception):
    """Root of the errors a person can cause and mend. exit_code is what the command line returns."""

    exit_code = 1

    def __init__(self, what: str, where: object = "", do: str = "") -> None:
        self.what, self.where, self.do = what, str(where), do
        parts = [f"{self.where}: {what}" if self.where else what, do]
        super().__init__(" ".join(p if p.endswith((".", "!", "?")) else f"{p}." for p in parts if p))

    def __reduce__(self) -> tuple[type[HerdbookError], tuple[str, str, str]]:
        return type(self), (self.what, self.where, self.do)


class SettingsError(HerdbookError):
    """Settings or arguments that make no sense."""

    exit_code = 2


class MissingExtraError(SettingsError):
    """A package that only a part of Herdbook needs is not installed; the message names the extra that brings it."""


class ProfileError(HerdbookError):
    """A vehicle profile that is wrong in itself or does not fit its DBC files."""

    exit_code = 3


class InputError(HerdbookError):
    """A log or sidecar that cannot be used as it is."""

    exit_code = 4


class StoreError(HerdbookError):
    """The store is missing, damaged, from a newer version, or out of room."""

    exit_code = 5


class BusyError(StoreError):
    """Another process is writing to the store."""

    exit_code = 6


class DamagedPartError(StoreError):
    """One part of the lake is missing or damaged; it can be rebuilt from its log."""


class NotKnownError(HerdbookError):
    """Asked for something the store does not have."""

    exit_code = 7


class BusError(HerdbookError):
    """A CAN bus cannot be opened, or went away while it was listened to."""

    exit_code = 9


def damage(error: BaseException) -> StoreError | None:
    """What an error of DuckDB means when it is about a damaged file: every block carries a checksum, compared whenever
    it is read; or its end is cut off. None for any other error."""
    said = str(error)
    short = "Could not read enough bytes from file" in said and ".duckdb" in said
    if not short and "Corrupt database file" not in said:
        return None
    return StoreError(
        f"the catalogue or its published copy is damaged: {'its end is missing' if short else 'a checksum is wrong'}",
        "",
        "Run `herdbook store publish`, which writes fleet.duckdb again. If that says the same, it is the catalogue: "
        "put back a copy of catalogue.duckdb, or move it away and scan the inbox again; parts are reused",
    )
