"""A point on the dynamometer: one motor held at a speed and a torque current.

Only logs whose sidecar says `bench = true` are looked at. Here stands what the bus says at that point; what the stand
itself measures, with a load cell and a clock of its own, is another matter (pipeline/bench/dynamometer).
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.bench.acceptance.step_kind import Scene, Span, StepKind
from herdbook.pipeline.science.stretches import stretches
from herdbook.pipeline.vehicle.figures import Figures, Needed, Text, Usual

PAUSE_S = 0.5


class Keys(Figures):
    motor = Text('which motor: "left", "right", ...; the first one that is at the point where none is named')
    speed_rpm = Needed("rpm", -100000, 100000, "its speed")
    within_rpm = Usual(
        *("rpm", 1, 10000, "give or take"), default="3 % of it", otherwise=lambda k: 0.03 * abs(k.speed_rpm)
    )
    current_a = Needed("A", -1000, 1000, "its torque current; negative brakes")
    within_a = Usual(
        *("A", 0.1, 500, "give or take"),
        default="5 % of it, 1 A at least",
        otherwise=lambda k: max(1.0, 0.05 * abs(k.current_a)),
    )
    hold_s = Usual("s", 0.5, 3600, "for so long", default="5", otherwise=lambda _: 5.0)


def find(scene: Scene, keys: Keys) -> list[Span]:
    if not scene.bench:
        return []
    motors = [keys.motor] if keys.motor else [str(m) for m in scene.signals.items("motor_speed")]
    for motor in motors:
        speed = scene.signals.series("motor_speed", motor)
        with np.errstate(invalid="ignore"):
            there = np.abs(speed.v - keys.speed_rpm) <= keys.within_rpm
            amps = scene.signals.at(speed.t, "motor_current", motor, PAUSE_S)
            there &= np.abs(amps - keys.current_a) <= keys.within_a
        found = stretches(speed.t, there, PAUSE_S, least_s=keys.hold_s, least_n=10)
        if len(found):
            return [(int(speed.t[a]), int(speed.t[b]) + 1) for a, b in zip(found.first, found.last, strict=True)]
    return []


STEP = StepKind(
    id="dynamometer_point",
    words="a point on the dynamometer",
    sought="{speed_rpm:g} rpm at {current_a:g} A for {hold_s:g} s, in a log whose sidecar says bench = true",
    session="bench",
    roles=(("motor_speed",), ("motor_current",)),
    keys=Keys,
    find=find,
)
