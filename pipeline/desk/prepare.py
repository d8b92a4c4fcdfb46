"""What a first look at each vehicle is drawn from, prepared beforehand: the usual roles and those of its findings."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from herdbook.pipeline.desk.levels import Levels
from herdbook.pipeline.desk.logs_of import FIRST, LAST, refs_of
from herdbook.pipeline.desk.preparing import Job, made
from herdbook.pipeline.desk.published import FOLDER
from herdbook.pipeline.desk.vehicle import USUAL, signals_of
from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.store.statements import Row, ask
from herdbook.pipeline.store.store import Store


@dataclass
class Prepared:
    """pieces: of a log and a signal, made now; there: that were there; failed: that could not be read, and why.
    left: vehicles that were not reached, for the room is used up. size: bytes that all of them take up."""

    vehicles: int = 0
    pieces: int = 0
    there: int = 0
    failed: int = 0
    why: str = ""
    left: int = 0
    size: int = 0
    took_s: float = 0.0

    @property
    def words(self) -> str:
        parts = [
            f"Prepared {numbers.plural(self.pieces, 'piece')} of {numbers.plural(self.vehicles, 'vehicle')} "
            f"in {self.took_s:.1f} s",
            f"{self.there} were there",
            f"all take up {self.size / 1e6:.1f} MB in desk/levels",
        ]
        said = "; ".join(parts) + "."
        if self.failed:
            said += f" {self.failed} could not be read, the first: {self.why}."
        if self.left:
            left = numbers.plural(self.left, "vehicle")
            said += f" The room is used up: {left} left, each prepared when somebody looks at it."
        return said


def prepare(store: Store, far: Callable[[int, int, str], None], levels: Levels | None = None) -> Prepared:
    """far: told how many vehicles are done, of how many, and which is next. Stops before older pieces would have to go.
    Raises: StoreError."""
    folder = store.folder / FOLDER / "levels"
    levels = levels or Levels(folder, folder)
    began, out = time.monotonic(), Prepared()
    with store.read() as con:
        vehicles = [str(v) for (v,) in con.execute("SELECT vehicle FROM vehicles ORDER BY last_t DESC").fetchall()]
        findings: dict[str, list[Row]] = {}
        for row in ask(con, __name__, "findings", vehicle=""):
            findings.setdefault(row["vehicle"], []).append(row)
    profiles = {p.name: p for p in store.profiles()}
    out.size = _size(levels.folder)
    for done, vehicle in enumerate(vehicles):
        far(done, len(vehicles), vehicle)
        if out.size > 0.9 * levels.most:
            out.left = len(vehicles) - done
            break
        names = dict.fromkeys([*USUAL, *(s for f in findings.get(vehicle, ()) for s in signals_of(f))])
        refs = [r for r in refs_of(store, vehicle, FIRST, LAST) if r.part and r.profile in profiles]
        for job in (Job(store.lake, ref, profiles[ref.profile], name) for ref in refs for name in names):
            path = levels.folder / job.key[:2] / job.key
            if path.exists():
                out.there += 1
                continue
            try:
                levels.keep(job.key, made(job))
                out.pieces += 1
                out.size += path.stat().st_size if path.exists() else 0
            except HerdbookError as error:
                out.failed += 1
                out.why = out.why or str(error).rstrip(".")
        out.vehicles += 1
    out.took_s = time.monotonic() - began
    return out


def _size(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.glob("*/*") if path.is_file())
