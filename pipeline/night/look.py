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

from herdbook.pipeline.errors import InputError
from herdbook.pipeline.intake.identity import LONGEST_NAME
from herdbook.pipeline.intake.inbox import Found, find_logs
from herdbook.pipeline.night.progress import Progress
from herdbook.pipeline.night.scan import scan_found
from herdbook.pipeline.night.steps import ScanResult
from herdbook.pipeline.store.store import Store


@dataclass(frozen=True, slots=True)
class Looked:
    """What a look gave. store: gone when the look ends. vehicles: of the logs that could be used, by name. refused: the
    others, each (log, why, what to do)."""

    store: Store
    vehicles: tuple[str, ...]
    refused: tuple[tuple[str, str, str], ...]
    done: ScanResult


@contextmanager
def look(
    logs: Sequence[Path | str], profile: Path | str, vehicle: str = "", progress: Progress | None = None
) -> Iterator[Looked]:
    """Logs, or folders of logs, judged by one profile. vehicle: whose they are, where nothing in or beside them says;
    else the first log's name.

    Raises: InputError when there is no such log; ProfileError for a wrong profile.
    """
    profile = Path(profile).absolute()
    paths = [path for given in logs for path in find_logs(Path(given), settle_s=0.0)]
    if not paths:
        raise InputError("there is no log to look at", logs[0] if logs else "", "Name one or more logs, or a folder")
    with tempfile.TemporaryDirectory(prefix="herdbook-look-") as folder:
        store = Store.create(Path(folder) / "store", profile)
        plain = "".join(c for c in paths[0].name.split(".")[0] if c.isprintable())
        named = vehicle or plain[:LONGEST_NAME].strip() or "unit"
        store = replace(store, settings=replace(store.settings, vehicle=named))
        store.profiles()  # a wrong profile is told before anything is decoded
        done = scan_found(store, "a look", lambda: Found(tuple(paths)), jobs=0, progress=progress)
        with store.read() as con:
            vehicles = tuple(v for (v,) in con.execute("SELECT vehicle FROM vehicles ORDER BY vehicle").fetchall())
            told = "SELECT name, reason || ': ' || detail, advice FROM quarantine ORDER BY name"
            refused = tuple(con.execute(told).fetchall())
        yield Looked(store, vehicles, refused, done)
