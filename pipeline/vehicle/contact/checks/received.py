"""What was received of each role: values that are possible, and that move when the vehicle does."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator

from herdbook.pipeline.vehicle.contact.check import Check, Look, between
from herdbook.pipeline.vehicle.contact.view import Received, View
from herdbook.pipeline.vehicle.roles import ROLES, Role
from herdbook.pipeline.vehicle.units import FREE

IMPOSSIBLE = (0.0, 0.1)  # a share; a sound role sends none, a vehicle with a torn sensor wire many
LEAST, FEW = 50, 20  # samples
HALF = 0.5
# Roles that cannot stay where they are while a vehicle rides for minutes.
MOVE = ("pack_voltage", "pack_current", "cell_voltage", "motor_speed", "motor_current", "vehicle_speed", "throttle")
RIDDEN_S = 120.0


def _by_role(view: View) -> dict[str, list[Received]]:
    found: dict[str, list[Received]] = defaultdict(list)
    for (role, _), got in view.received.items():
        found[role].append(got)
    return found


def _span(about: Role) -> str:
    """What is possible, in words."""
    unit = "" if about.unit in FREE | {"1"} else about.unit.replace("degC", "°C")
    return "known states" if about.states else f"{between(about.low, about.high)} {unit}".rstrip()


def _possible(view: View) -> Iterator[Look]:
    for role, some in _by_role(view).items():
        n = sum(r.samples - r.missing for r in some)
        if n >= LEAST:
            lost = sum(r.impossible for r in some) / n
            about = ROLES[role]
            span = _span(about)
            said = f"{lost:.0%} of {n:,} values are outside {span}"
            wrong = sum(r.impossible for r in some)
            if about.low == 0 and wrong >= FEW and all(r.highest <= 0 for r in some):
                lost, said = 1.0, f"all {wrong:,} values but 0 are outside {span}"  # a magnitude with its sign turned
            over, acting = sum(r.over for r in some), n - sum(r.resting for r in some)
            if over >= FEW and over > HALF * acting and not about.states:  # seldom used, and then out of reach
                lost, said = max(lost, over / acting), f"{over / acting:.0%} of {acting:,} values but 0 are over {span}"
            yield Look(role, lost, *IMPOSSIBLE, n=n, said=said)


def _flags(view: View) -> Iterator[Look]:
    """A flag is 0 or 1, whatever its sensor does."""
    for role, some in _by_role(view).items():
        if ROLES[role].unit == "1":
            odd = sum(r.impossible > 0 or 0 < r.highest < 1 for r in some)
            said = f"{odd} of {_signals(some)} with other values than 0 and 1"
            yield Look(role, odd, 0.0, 0.0, n=len(some), said=said)


def _signals(some: list[Received]) -> str:
    return f"{len(some)} signal{'s' * (len(some) > 1)}"


def _worst(looks: list[Look]) -> list[Look]:
    return [max(looks, key=lambda look: look.measured)]


def _moves(view: View) -> Iterator[Look]:
    ridden = float(view.moving.sum()) * view.tick_s
    if ridden < RIDDEN_S:
        return
    for role, some in _by_role(view).items():
        known = [r for r in some if r.known >= LEAST]
        if role in MOVE and known:
            stuck = sum(r.constant for r in known)
            said = f"{stuck} of {_signals(known)} without a change in {ridden / 60:.0f} minutes of riding"
            yield Look(role, stuck / len(known), 0.0, 0.9, said=said)


def _faults(view: View) -> Iterator[Look]:
    for role, some in _by_role(view).items():
        known = [r for r in some if r.known >= LEAST]
        if ROLES[role].unit == "bits" and known:
            always = sum(r.lowest > 0 for r in known)
            said = f"{always} of {_signals(known)} with some fault all the time"
            yield Look(role, always / len(known), 0.0, 0.9, said=said)


CHECKS = (
    Check(
        "possible",
        "values are possible",
        "share",
        (),
        _possible,
        "most values of {item} are impossible",
        "Check sign, unit, scale and states of {item}, and its not_available values",
        of_item=True,
    ),
    Check(
        "flags",
        "flags are 0 or 1",
        "signals with other values",
        (),
        _flags,
        "{item} is not 0 or 1",
        "Take scale and offset away from {item}; a flag of the other sense is scale = -1, offset = 1",
        pool=_worst,
        of_item=True,
    ),
    Check(
        "moves",
        "signals move while the vehicle rides",
        "share",
        (),
        _moves,
        "{item} never changes while the vehicle rides",
        "Check which signal {item} is; a dead sensor looks the same",
        severe=False,
        vehicles=2,
        of_item=True,
    ),
    Check(
        "fault_bits",
        "fault words are 0 at times",
        "share",
        (),
        _faults,
        "{item} says some fault all the time",
        "Check which bits of {item} are faults",
        severe=False,
        vehicles=2,
        of_item=True,
    ),
)
