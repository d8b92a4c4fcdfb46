"""Some logs judged by one profile without a store of their own: what a person with a returned unit asks first.

A store is made in a temporary folder, the logs are scanned into it in this process, and the folder goes when the caller
is done. So a look says what a scan would say of the same logs, and nothing else has to be kept right.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from herdbook.pipeline.errors import InputError, ProfileError
from herdbook.pipeline.intake.identity import LONGEST_NAME
from herdbook.pipeline.intake.inbox import Found
from herdbook.pipeline.intake.inbox import look as everything_under
from herdbook.pipeline.intake.waiting import Waiting
from herdbook.pipeline.night.changes import ProfileDoubt
from herdbook.pipeline.night.progress import Progress
from herdbook.pipeline.night.read_changes import last_night
from herdbook.pipeline.night.scan import scan_found
from herdbook.pipeline.night.steps import ScanResult
from herdbook.pipeline.own.load import own_of
from herdbook.pipeline.store.connection import ours_alone
from herdbook.pipeline.store.store import Store


@dataclass(frozen=True, slots=True)
class Looked:
    """What a look gave. store: gone when the look ends. vehicles: of the logs that could be used, by name. refused: the
    others, each (log, why, what to do). waiting: files that were left alone, and why. doubts: what the logs say against
    the profile. named: the vehicles whose name no log says, so that it is the one given or the first log's."""

    store: Store
    vehicles: tuple[str, ...]
    refused: tuple[tuple[str, str, str], ...]
    waiting: tuple[Waiting, ...]
    doubts: tuple[ProfileDoubt, ...]
    named: tuple[str, ...]
    done: ScanResult


@contextmanager
def look(
    logs: Sequence[Path | str],
    profile: Path | str,
    vehicle: str = "",
    progress: Progress | None = None,
    own: Path | str | None = None,
) -> Iterator[Looked]:
    """Logs, or folders of logs, judged by one profile. vehicle: whose they are, where nothing in or beside them says;
    else the first log's name. own: folder of rules and metrics of one's own, which is code that runs.

    Raises: InputError when there is no such log; ProfileError for a wrong profile.
    """
    profile = Path(profile).absolute()
    if not profile.exists():
        raise ProfileError("is not there", profile, "Check the path, or let herdbook profile draft write a first one")
    seen = [everything_under(Path(given), settle_s=0.0) for given in logs if not _is_sidecar(Path(given))]
    paths = tuple(path for one in seen for path in one.logs)
    found = Found(
        paths,
        refused=tuple(r for one in seen for r in one.refused),
        waiting=tuple(w for one in seen for w in one.waiting),
    )
    if not paths:
        raise InputError("there is no log to look at", logs[0] if logs else "", "Name one or more logs, or a folder")
    with tempfile.TemporaryDirectory(prefix="herdbook-look-") as folder:
        store = Store.create(Path(folder) / "store", profile)
        plain = "".join(c for c in paths[0].name.split(".")[0] if c.isprintable())
        named = vehicle or plain[:LONGEST_NAME].strip() or "unit"
        other = {} if own is None else {"own": {"folder": str(Path(own).absolute())}}
        store = replace(store, settings=replace(store.settings, vehicle=named, other=other))
        own_of(store)  # a folder that is not there, too
        store.profiles()  # a wrong profile is told before anything is decoded
        with ours_alone(store.catalogue):
            done = scan_found(store, "a look", lambda: found, jobs=0, progress=progress)
            night = last_night(store, scan=done.scan)
        with store.read() as con:
            vehicles = tuple(v for (v,) in con.execute("SELECT vehicle FROM vehicles ORDER BY vehicle").fetchall())
            told = "SELECT name, reason || ': ' || detail, advice FROM quarantine ORDER BY name"
            refused = tuple(con.execute(told).fetchall())
            by_us = "SELECT DISTINCT vehicle FROM logs WHERE identity_by = 'setting' ORDER BY vehicle"
            nameless = tuple(v for (v,) in con.execute(by_us).fetchall())
        assert night is not None, "a scan closes its night"
        yield Looked(store, vehicles, refused, found.waiting, night.doubts, nameless, done)


def _is_sidecar(path: Path) -> bool:
    """A shell's pattern names sidecars beside their logs."""
    return path.suffix == ".toml" and path.with_suffix("").is_file()
