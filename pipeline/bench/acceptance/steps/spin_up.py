"""A spin-up without load: on a stand, with the driven wheels off the ground, every motor turns steadily at a speed with
next to no current.

Only logs whose sidecar says `bench = true` are looked at: a unit that rolls down a hill looks the same.
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.bench.acceptance.step_kind import Scene, Span, StepKind
from herdbook.pipeline.science.stretches import stretches
from herdbook.pipeline.vehicle.figures import Figures, Needed, Usual

PAUSE_S = 0.5
USUAL_SHARE = 0.15  # of the largest torque current, where the plan names no other (engineering choice)


class Keys(Figures):
    speed_rpm = Needed("rpm", 1, 100000, "each motor turns at least so fast")
    hold_s = Usual("s", 0.5, 3600, "for so long", default="3", otherwise=lambda _: 3.0)
    most_a = Usual(
        *("A", 0.1, 1000, "with no more torque current than this, each motor"),
        default="15 % of [drive] max_motor_a",
        otherwise=lambda _: float("nan"),
    )


def find(scene: Scene, keys: Keys) -> list[Span]:
    motors = scene.signals.items("motor_speed")
    if not scene.bench or not motors:
        return []
    most = keys.most_a if keys.most_a == keys.most_a else USUAL_SHARE * scene.profile.drive_figures.max_motor_a
    t = max((scene.signals.series("motor_speed", m) for m in motors), key=len).t
    free = np.ones(t.size, bool)
    with np.errstate(invalid="ignore"):
        for m in motors:
            free &= np.abs(scene.signals.at(t, "motor_speed", m, PAUSE_S)) >= keys.speed_rpm
            free &= np.abs(scene.signals.at(t, "motor_current", m, PAUSE_S)) <= most
    found = stretches(t, free, PAUSE_S, least_s=keys.hold_s, least_n=10)
    return [(int(t[a]), int(t[b]) + 1) for a, b in zip(found.first, found.last, strict=True)]


STEP = StepKind(
    id="spin_up",
    words="a spin-up without load",
    sought="every motor over {speed_rpm:g} rpm for {hold_s:g} s at little current; its log's sidecar says bench = true",
    session="bench",
    roles=(("motor_speed",), ("motor_current",)),
    keys=Keys,
    find=find,
)
