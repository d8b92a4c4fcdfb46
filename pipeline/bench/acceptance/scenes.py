"""The logs of a unit as scenes in which steps are looked for: sessions with their signals, as a look at them cut
them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from herdbook.pipeline.assess.sessions import Stretch, sessions
from herdbook.pipeline.bench.acceptance.step_kind import Scene
from herdbook.pipeline.lake.read import load_signals
from herdbook.pipeline.store.statements import ask
from herdbook.pipeline.times import micros

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store
    from herdbook.pipeline.vehicle.profile import Profile
    from herdbook.pipeline.vehicle.signals import Signals


@dataclass(frozen=True, slots=True)
class UnitLog:
    """One log of the test. status: whole, or partial. lost: bytes of it that gave no frame."""

    log: str
    name: str
    format: str
    status: str
    lost: int
    start_t: datetime
    end_t: datetime
    bench: bool

    @property
    def cut(self) -> str:
        """What is wrong with it, in words; "" when nothing is."""
        if self.status == "whole":
            return ""
        lost = f": {self.lost:,} bytes of it gave no frame" if self.lost else ""
        return f"log {self.name} is cut or damaged{lost}"


def logs_of(store: Store, vehicle: str) -> list[UnitLog]:
    with store.read() as con:
        return [UnitLog(**row) for row in ask(con, __name__, "logs_of", vehicle=vehicle)]


def scenes_of(store: Store, vehicle: str, profile: Profile) -> list[Scene]:
    """In order of time. A log that says it is of a bench is one session to the fleet; here it is cut like any other,
    because a test has its rests and charges on the bench too."""
    with store.read() as con:
        rows = ask(con, __name__, "sessions_of", vehicle=vehicle)
    logs = {log.log: log for log in logs_of(store, vehicle)}
    out = []
    for row in rows:
        own = [logs[name] for name in row["logs"] if name in logs]
        cut = "; ".join(log.cut for log in own if log.cut)
        bench = any(log.bench for log in own)
        span = micros(row["start_t"]), micros(row["end_t"])
        signals = load_signals(store, vehicle, *span)
        for kind, a, b in _pieces(row["kind"], signals, store.settings.stop_s):
            out.append(Scene(kind, bench, signals.between(a, b), profile, cut))
    return out


def _pieces(kind: str, signals: Signals, stop_s: float) -> list[tuple[str, int, int]]:
    if kind != "bench":
        return [(kind, signals.start, signals.end)]
    stretch = Stretch(signals.start, signals.end)
    found = sessions(signals.vehicle, stretch, signals, [], bench=False, stop_s=stop_s, span_gap_us=0)
    return [(f.session.kind, f.session.start, f.session.end) for f in found]
