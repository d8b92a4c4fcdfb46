"""The store: one folder that holds everything Herdbook keeps.

catalogue.duckdb   private; opened for short transactions only     lake/     parts, unless they are kept elsewhere
fleet.duckdb       published; what people and reports open         cache/    then local copies of them
herdbook.toml      settings, optional                              record/   rows of sessions that are no longer young
scan.lock          who is writing now                              pages/    what reports write
"""

from __future__ import annotations

import json
import os
import shutil
import socket
import stat
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from herdbook.pipeline.errors import BusyError, SettingsError, StoreError
from herdbook.pipeline.lake.open import lake_of
from herdbook.pipeline.lake.place import OWN, Lake
from herdbook.pipeline.operating_system import WINDOWS, lock_alone, open_to_all, set_rights
from herdbook.pipeline.settings import FILE, Settings, read_settings
from herdbook.pipeline.store.statements import has, statement
from herdbook.pipeline.store.whole_file import whole
from herdbook.pipeline.times import in_words, now_us
from herdbook.pipeline.vehicle.profile import Profile, load_profile, sound_profiles
from herdbook.pipeline.vehicle.refused_profile import RefusedProfile

if TYPE_CHECKING:
    import duckdb

Profiles = tuple[tuple[Profile, ...], tuple[RefusedProfile, ...]]


@dataclass(frozen=True, slots=True)
class Store:
    """Where things are, and the settings. Cheap, picklable, holds nothing open."""

    folder: Path
    settings: Settings

    @classmethod
    def create(cls, folder: Path | str, profiles: Path | str | None = None) -> Store:
        """A new store, or the one that is there. profiles: folder of vehicle profiles, written into herdbook.toml.

        Raises: StoreError when the folder holds something else or cannot be written.
        """
        folder = named(folder)
        try:
            folder.mkdir(parents=True, exist_ok=True, mode=0o750)
            new = not (folder / "catalogue.duckdb").exists()
            if new and any(p.name not in (FILE, OWN) for p in folder.iterdir()):
                raise StoreError("the folder is not empty and holds no store", folder, "Name another folder")
            store = cls(folder, read_settings(folder))
            if new or (store.settings.lake and not store._has_logs()):
                store.lake.begin()
            (folder / "pages").mkdir(exist_ok=True, mode=0o750)
            if profiles is not None:
                _use_profiles(folder, Path(profiles).absolute())
        except OSError as error:
            raise StoreError(f"cannot be written ({error.strerror})", folder, "Check the path and its rights") from None
        return cls.open(folder)

    @classmethod
    def open(cls, folder: Path | str) -> Store:
        """An existing store, brought to the newest catalogue version. Raises: StoreError, BusyError, SettingsError."""
        from herdbook.pipeline.store.known_newest import bring_to_newest

        folder = named(folder)
        if not folder.is_dir():
            raise StoreError("there is no store", folder, "Make one with `herdbook scan INBOX --store FOLDER`")
        store = cls(folder, read_settings(folder))
        if not store.lake.far:  # asking for it costs; who needs a far one will see
            store.check_lake()
        bring_to_newest(store.catalogue)
        return store

    @property
    def catalogue(self) -> Path:
        return self.folder / "catalogue.duckdb"

    @property
    def fleet(self) -> Path:
        return self.folder / "fleet.duckdb"

    @property
    def lake(self) -> Lake:
        """Where parts are read and written."""
        return lake_of(self.folder, self.settings.lake, self.settings.cache_gb)

    @property
    def scratch(self) -> Path:
        """Where parts grow before they are renamed into place; emptied at the start of a scan."""
        return self.lake.scratch

    @property
    def pages(self) -> Path:
        return self.folder / "pages"

    def check_lake(self) -> None:
        """Raises: StoreError when the lake is not there, or only the empty folder that it is mounted on."""
        self.lake.check()

    def _has_logs(self) -> bool:
        from herdbook.pipeline.store.connection import connect
        from herdbook.pipeline.store.migrations import migrate

        migrate(self.catalogue)
        with connect(self.catalogue) as con:
            return con.execute("SELECT 1 FROM logs LIMIT 1").fetchone() is not None

    def profiles(self) -> list[Profile]:
        """The sound ones of the vehicle profiles named in the settings; read once a process while unchanged.

        Raises: ProfileError where none is sound.
        """
        return list(self._profiles()[0])

    def refused_profiles(self) -> list[RefusedProfile]:
        """The others, with what is wrong in each. Raises: ProfileError where none is sound."""
        return list(self._profiles()[1])

    def _profiles(self) -> Profiles:
        folder = self.folder / self.settings.profiles
        if folder.is_file():
            beside = tuple((str(p), p.stat().st_mtime_ns) for p in sorted(folder.parent.iterdir()) if p.is_file())
            return _profiles(folder, beside)
        if not folder.is_dir():
            raise SettingsError(
                "the folder of vehicle profiles is missing",
                folder,
                f"Name it in {FILE} (profiles = ...) or pass --profiles",
            )
        stamps = tuple(sorted((str(p), p.stat().st_mtime_ns) for p in folder.rglob("*") if p.is_file()))
        return _profiles(folder, stamps)

    def read(self) -> duckdb.DuckDBPyConnection:
        """The published catalogue, read-only. Raises: StoreError before the first publication; DamagedPartError."""
        import duckdb

        from herdbook.pipeline.store.record_files import show

        if not self.fleet.exists():
            raise StoreError("nothing has been published yet", self.folder, "Run a scan first")
        try:
            con = duckdb.connect(str(self.fleet), read_only=True)
        except duckdb.Error as error:
            what = f"fleet.duckdb cannot be opened: {error}"
            raise StoreError(what, self.folder, "Run `herdbook store publish`") from None
        self.lake.serve(con, self.fleet)
        show(con, self.folder, self.settings.check_days)
        if has(con, "findings"):
            if not has(con, "stop_use_matters"):
                con.execute(statement(__name__, "no_service_book"))
            con.execute(statement(__name__, "findings_now"))
        return con

    @contextmanager
    def lock(self, what: str) -> Iterator[None]:
        """Hold the store for writing; released when the process ends, however it ends. What an earlier one left half
        done is cleared away. Raises: BusyError."""
        path = self.folder / "scan.lock"
        with open(path, "a+", encoding="utf-8", opener=for_group) as file:
            if not lock_alone(file):
                file.seek(0)
                raise BusyError(
                    f"the store is in use by {file.read().strip() or 'another process'}",
                    self.folder,
                    "Wait until it is done, or stop that process",
                )
            file.truncate(0)
            since = in_words(now_us())
            file.write(f"{what}, process {os.getpid()} on {socket.gethostname()}, since {since}\n")
            file.flush()
            self._clear_leftovers()
            self._close_to_others()
            yield

    def _close_to_others(self) -> None:
        """Nobody but owner and group reads what lies in the store, whatever rights its folder has; the public key is
        for everybody. Folders in it are made so."""
        for path in self.folder.iterdir():
            with suppress(OSError):
                if path.is_file() and path.name != "signing.pub" and open_to_all(path):
                    path.chmod(stat.S_IMODE(path.stat().st_mode) & ~0o007)

    def _clear_leftovers(self) -> None:
        """Remove what a killed process left behind: half a published file, parts that were growing. Nobody else writes
        while we hold the lock."""
        shutil.rmtree(self.scratch, ignore_errors=True)
        for path in self.folder.glob(".*.tmp*"):
            path.unlink(missing_ok=True)


def named(folder: Path | str) -> Path:
    """The folder of a store, absolute. Raises: StoreError for a name by which the database would open another file."""
    path = Path(folder).absolute()
    forbidden = "?" if WINDOWS else "?\\"
    if bad := [c for c in str(path) if c in forbidden or not c.isprintable()]:
        do = "Rename the folder, or name another"
        raise StoreError(f"a store cannot lie in a folder with {bad[0]!r} in its name", path, do)
    return path


def for_group(path: str, flags: int) -> int:
    """open()'s opener for files of the store: nothing for others."""
    return os.open(path, flags, 0o640)


def _use_profiles(folder: Path, profiles: Path) -> None:
    """Name the folder of profiles in the store's settings, where they name none.

    Raises: SettingsError when they name another one.
    """
    path = folder / FILE
    kept = read_settings(folder).profiles
    text = path.read_text("utf-8") if path.exists() else ""
    if "profiles" not in tomllib.loads(text):
        with whole(path) as draft:  # what people set there is never half gone
            draft.touch(0o600 if text else 0o660)  # webhooks may stand in it: not for others, not for a moment
            draft.write_text(f"profiles = {json.dumps(str(profiles))}\n{text}", "utf-8")
            if text:
                set_rights(draft, stat.S_IMODE(path.stat().st_mode) & ~0o007)
    elif (folder / kept).resolve() != profiles.resolve():
        what = f"the store uses the profiles in {folder / kept}, not {profiles}"
        raise SettingsError(what, path, "Change profiles = ... there if that is what you want")


@lru_cache(maxsize=8)
def _profiles(folder: Path, stamps: tuple[tuple[str, int], ...]) -> Profiles:
    if folder.is_file():
        return (load_profile(folder),), ()
    sound, bad = sound_profiles(folder)
    return tuple(sound), tuple(bad)
