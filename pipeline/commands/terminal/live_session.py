"""One stretch of listening from a command: opened, shown, ended by Ctrl-C, SIGTERM, time, or the bus."""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from herdbook.pipeline.bench.live.address import BusAddress
    from herdbook.pipeline.bench.live.listening import Listening
    from herdbook.pipeline.bench.live.recording import Recording
    from herdbook.pipeline.vehicle.profile import Profile


@dataclass(frozen=True, slots=True)
class Session:
    """What the person asked for. file_bytes, file_seconds: when the next log file begins; seconds: when to stop."""

    profile: Path | None
    out: Path | None
    vehicle: str = ""
    bench: bool = False
    file_bytes: int = 256_000_000
    file_seconds: float = 3600.0
    seconds: float | None = None
    every: float = 10.0


@contextmanager
def stopping() -> Iterator[threading.Event]:
    """Set by Ctrl-C, SIGTERM and SIGHUP, which then no longer end the process; as before when it is over."""
    asked = threading.Event()
    hung_up = [signal.SIGHUP] if hasattr(signal, "SIGHUP") else []  # a terminal that is closed ends it in order, too
    numbers = [signal.SIGINT, signal.SIGTERM, *hung_up]
    before = {number: signal.signal(number, lambda *_: asked.set()) for number in numbers}
    try:
        yield asked
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def listened(
    addresses: Sequence[BusAddress],
    session: Session,
    quiet: bool,
    meanwhile: Callable[[threading.Event], None] | None = None,
) -> tuple[Listening, Profile | None]:
    """Listen and show until it is over; what came of it, and the profile. meanwhile: runs beside it, given the event
    that ends it; when it returns, the listening ends too.

    Raises: ProfileError, BusError, StoreError, SettingsError before the listening has begun.
    """
    from herdbook.pipeline.commands.terminal.live_screen import watch

    with stopping() as asked:
        listening, profile = _ready(addresses, session)
        ends = time.monotonic() + session.seconds if session.seconds else None
        listening.start()
        beside = threading.Thread(target=_beside, args=(meanwhile, asked), daemon=True) if meanwhile else None
        if beside:
            beside.start()

        def going_on(wait: float) -> bool:
            left = wait if ends is None else min(wait, ends - time.monotonic())
            return left > 0 and not asked.wait(left)

        try:
            if quiet:
                while going_on(0.2) and not listening.over:
                    pass
            else:
                watch(listening, profile, ", ".join(map(str, addresses)), going_on, session.every)
        finally:
            asked.set()
            if beside:
                beside.join(timeout=5.0)
            listening.stop()
    return listening, profile


def _ready(addresses: Sequence[BusAddress], session: Session) -> tuple[Listening, Profile | None]:
    """Everything made and opened, or nothing left open."""
    from herdbook.pipeline.bench.live.listening import Listening
    from herdbook.pipeline.bench.live.newest import Newest
    from herdbook.pipeline.bench.live.open_bus import OpenBus, open_bus
    from herdbook.pipeline.vehicle.profile import load_profile

    profile = load_profile(session.profile) if session.profile is not None else None
    newest = Newest(profile) if profile is not None else None
    recording = _recording(session, profile)
    opened: list[OpenBus] = []
    try:
        opened.extend(open_bus(address) for address in addresses)
    except Exception:
        for one in opened:
            one.close()
        raise
    return Listening(opened, recording, newest), profile


def _beside(meanwhile: Callable[[threading.Event], None], asked: threading.Event) -> None:
    try:
        meanwhile(asked)
    finally:
        asked.set()


def _recording(session: Session, profile: Profile | None) -> Recording | None:
    from herdbook.pipeline.bench.live.recording import Recording, Rotation
    from herdbook.pipeline.errors import SettingsError
    from herdbook.pipeline.intake.identity import checked_name

    if session.out is None:
        return None
    about: dict[str, str | bool] = {}
    name = "bus"
    if session.vehicle:
        try:
            about["vehicle"] = checked_name(session.vehicle, "vehicle")
        except ValueError as error:
            raise SettingsError(f"--vehicle cannot be used: {error}", do="Give the unit's serial or name") from None
        name = "".join(c if c.isalnum() or c in "-_." else "_" for c in session.vehicle).lstrip(".") or "bus"
        if profile is not None:
            about["profile"] = profile.name
    if session.bench:
        about["bench"] = True
    return Recording(session.out, name[:80], Rotation(session.file_bytes, session.file_seconds), about)
