"""The [own] table of herdbook.toml: where a store's own rules and metrics are. Without the table there are none.

[own]
folder = "own"                # rules/own_NAME.py, metrics/own_NAME.py, chemistries/NAME.chemistry.toml in it
packages = ["acme-herd"]      # installed packages whose entry points of the group "herdbook" are used too
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from herdbook.pipeline.errors import SettingsError
from herdbook.pipeline.settings import FILE
from herdbook.pipeline.store.store import Store

KNOWN = ("folder", "packages")


@dataclass(frozen=True, slots=True)
class Named:
    """What the settings name. folder: absolute, None where none is named."""

    folder: Path | None = None
    packages: tuple[str, ...] = ()


def named(store: Store) -> Named:
    """Raises: SettingsError for a table that makes no sense, or a folder that is not there."""
    path, table = store.folder / FILE, store.settings.other.get("own", {})
    for key in table:
        if key not in KNOWN:
            raise SettingsError(f"[own] {key} is not known", path, f"Known there: {', '.join(KNOWN)}")
    folder, packages = table.get("folder", ""), table.get("packages", [])
    if not isinstance(folder, str):
        raise SettingsError(f"[own] folder = {folder!r} is not text", path, 'Write folder = "own"')
    if not isinstance(packages, list) or not all(isinstance(name, str) for name in packages):
        raise SettingsError("[own] packages is not a list of names", path, 'Write packages = ["acme-herd"]')
    if not folder:
        return Named(None, tuple(packages))
    whole = (store.folder / folder).absolute()
    if not whole.is_dir():
        raise SettingsError(f"[own] folder: there is no folder {whole}", path, "Make it, or correct its name")
    return Named(whole, tuple(packages))
