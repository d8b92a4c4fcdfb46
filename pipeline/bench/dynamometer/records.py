"""What one run left behind, as channels: from a bus log by the vehicle's profile, or from an instrument's table."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from herdbook.decoders import DecoderError
from herdbook.pipeline.bench.dynamometer.sheet import Sheet
from herdbook.pipeline.bench.dynamometer.table import is_table, read_table
from herdbook.pipeline.errors import InputError
from herdbook.pipeline.lake.role_views import view_of_log
from herdbook.pipeline.vehicle.profile import Profile, load_profile
from herdbook.pipeline.vehicle.signals import Series, Signals

LEAST_KNOWN = 0.5  # of the frames; below, the profile is another vehicle's


@dataclass(frozen=True, slots=True)
class Logged:
    """A bus log by its profile: roles over the whole of it."""

    path: Path
    profile: Profile
    signals: Signals

    def known(self, role: str, item: int | str = "") -> Series:
        """Samples of a role that are possible values; empty where there are none."""
        s = self.signals.series(role, item)
        good = np.isfinite(s.v)
        return s if good.all() else Series(s.t[good], s.v[good])

    def needed(self, role: str, item: int | str = "") -> Series:
        """Raises: InputError when the log has no value of this role."""
        found = self.known(role, item)
        if not len(found):
            named = f"{role}[{item}]" if item != "" else role
            do = "`herdbook profile check PROFILE --log LOG` shows what it has"
            raise InputError(f"the log has no value of {named}, by profile {self.profile.name}", self.path, do)
        return found


def profile_of(sheet: Sheet) -> Profile | None:
    """The profile a sheet names; None where it names none. Raises: InputError, ProfileError."""
    found = sheet.file("profile")
    return load_profile(found) if found else None


def read_log(path: Path, profile: Profile | None) -> Logged:
    """Raises: InputError when it cannot be read, is empty, or is another vehicle's."""
    if profile is None:
        raise InputError(
            "is a bus log, and the sheet names no profile", path, 'Add profile = "board.toml" to the sheet'
        )
    try:
        view = view_of_log(path, profile, path.name)
    except DecoderError as error:
        raise InputError(
            f"cannot be read: {error}", path, "Name a bus log, or a table with a column `time [s]`"
        ) from None
    if not view.signals.data:
        raise InputError(f"holds no value that profile {profile.name} knows", path, "Check the profile and the log")
    if view.known_share < LEAST_KNOWN:
        what = f"profile {profile.name} knows only {view.known_share:.0%} of its frames"
        raise InputError(what, path, "Name the profile of this vehicle")
    return Logged(path, profile, view.signals)


def is_bus_log(path: Path) -> bool:
    return not is_table(path)


def table_channel(path: Path, channel: str, columns: Sheet) -> Series:
    """One channel of an instrument's table, where it has a value. Raises: InputError."""
    found = read_table(path, {key: columns.text(key) for key in columns.raw})
    if channel not in found.channels:
        here = ", ".join(found.channels) or "none"
        raise InputError(f"has no column {channel}; it has {here}", path, f"Head it `{channel} [unit]`")
    s = found.channels[channel]
    good = np.isfinite(s.v)
    return Series(s.t[good], s.v[good])
