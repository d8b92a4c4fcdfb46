"""What a store's own rules and metrics consist of, told by names and contents alone: nothing of it runs here.

The digests stand in the versions by which stored results are known to be as they would be made today. So a page can say
by which rules a vehicle was judged without running them.
"""

from __future__ import annotations

import hashlib
import os
import stat
from dataclasses import dataclass
from importlib.metadata import EntryPoint, PackageNotFoundError, distribution
from pathlib import Path

from herdbook.pipeline.operating_system import WINDOWS
from herdbook.pipeline.own.named import Named, named
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.vehicle.chemistry import OWN

PREFIX = "own_"  # how ids of own rules and names of own metrics and events begin: nothing of ours is ever named so
GROUP = "herdbook"  # of entry points


@dataclass(frozen=True, slots=True)
class Package:
    """An installed package; version "" where there is none of that name."""

    name: str
    version: str = ""
    points: tuple[EntryPoint, ...] = ()


@dataclass(frozen=True, slots=True)
class OwnFiles:
    """folder: None without one. rules, metrics: files that each hold one. measuring: digest of what metrics depend on;
    judging: of what rules depend on, metrics included; "" where the store has nothing of its own."""

    folder: Path | None = None
    rules: tuple[Path, ...] = ()
    metrics: tuple[Path, ...] = ()
    chemistries: tuple[Path, ...] = ()
    packages: tuple[Package, ...] = ()
    measuring: str = ""
    judging: str = ""


NOTHING = OwnFiles()


def own_files(store: Store) -> OwnFiles:
    """Raises: SettingsError, as named()."""
    asked = named(store)
    return files_of(asked) if asked != Named() else NOTHING


def files_of(asked: Named) -> OwnFiles:
    """The files of a folder and of packages; a folder that cannot be read has none."""
    folder = asked.folder
    packages = tuple(_package(name) for name in asked.packages)
    code = sorted(p for p in folder.rglob("*.py") if "__pycache__" not in p.parts) if folder else []
    told = [f"{p.name} {p.version}" for p in packages]
    rules = [p for p in code if folder and p.is_relative_to(folder / "rules")]
    beside = [p for p in code if p not in rules]
    rest = [*told, *(f"{p.relative_to(folder).as_posix()} {_hash(p)}" for p in beside if folder)]
    mine = [f"{p.relative_to(folder).as_posix()} {_hash(p)}" for p in rules if folder]
    return OwnFiles(
        folder=folder,
        rules=_named_so(folder, "rules"),
        metrics=_named_so(folder, "metrics"),
        chemistries=tuple(sorted((folder / "chemistries").glob(f"*{OWN}"))) if folder else (),
        packages=packages,
        measuring=_digest(rest) if rest else "",
        judging=_digest([*rest, *mine]) if rest or mine else "",
    )


def not_safe(path: Path, folder: Path) -> str:
    """Why a file is not run: others may have written it; "" where only its owner may. On Windows rights are not
    looked at."""
    if WINDOWS:
        return ""
    for place in (path, path.parent, folder):
        said = place.stat()
        if said.st_mode & stat.S_IWOTH and not said.st_mode & stat.S_ISVTX:
            return f"everybody on this machine may write {place.name}, so it is not run: chmod o-w {place}"
        if said.st_uid not in {0, os.geteuid(), folder.parent.stat().st_uid}:
            return f"{place.name} belongs to neither you nor the owner of the store, so it is not run"
    return ""


def _named_so(folder: Path | None, kind: str) -> tuple[Path, ...]:
    """Every .py file of the kind that is not shared code (an underscore first)."""
    if folder is None:
        return ()
    return tuple(p for p in sorted((folder / kind).glob("*.py")) if not p.name.startswith("_"))


def _package(name: str) -> Package:
    try:
        found = distribution(name)
    except (PackageNotFoundError, ValueError):
        return Package(name)
    points = tuple(sorted((p for p in found.entry_points if p.group == GROUP), key=lambda p: p.name))
    return Package(name, found.version, points)


def _hash(path: Path) -> str:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return "cannot be read"


def _digest(lines: list[str]) -> str:
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()
