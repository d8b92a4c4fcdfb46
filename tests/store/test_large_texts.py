"""A file of settings, a profile or a sidecar of 100 MB is refused by its size, before its text fills the memory."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from herdbook.pipeline.errors import HerdbookError, InputError, ProfileError, SettingsError
from herdbook.pipeline.intake.sidecar import read_sidecar
from herdbook.pipeline.settings import read_settings
from herdbook.pipeline.vehicle.profile import load_profile

READERS: dict[str, tuple[type[HerdbookError], Callable[[Path], object]]] = {
    "herdbook.toml": (SettingsError, lambda path: read_settings(path.parent)),
    "board.toml": (ProfileError, load_profile),
    "a.log.toml": (InputError, lambda path: read_sidecar(path.with_suffix(""), "UTC")),
}


@pytest.mark.parametrize("name", READERS)
def test_a_hundred_megabytes_are_refused(tmp_path: Path, name: str) -> None:
    error, read = READERS[name]
    with (tmp_path / name).open("wb") as file:
        file.truncate(100_000_000)
    with pytest.raises(error, match="is larger than"):
        read(tmp_path / name)
