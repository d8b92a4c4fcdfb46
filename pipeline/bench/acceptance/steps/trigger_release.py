"""Releases of the dead-man trigger: everything from the first to the last release of one session, a few seconds on both
sides included, because what counts is the worst of them."""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.bench.acceptance.step_kind import Scene, Span, StepKind
from herdbook.pipeline.vehicle.figures import Figures, Usual

AROUND_S = 6.0  # as long as torque is looked for after a release, and a second (pipeline/metrics/torque_release.py)


class Keys(Figures):
    least_times = Usual("1", 1, 1000, "it is let go so many times", default="1", otherwise=lambda _: 1.0)


def find(scene: Scene, keys: Keys) -> list[Span]:
    trigger = scene.signals.series("trigger")
    held = trigger.v >= 0.5
    released = trigger.t[1:][held[:-1] & ~held[1:] & np.isfinite(trigger.v[1:])] if len(trigger) > 1 else trigger.t[:0]
    if released.size < keys.least_times:
        return []
    around = int(AROUND_S * 1e6)
    return [(max(scene.span[0], int(released[0]) - around), min(scene.span[1], int(released[-1]) + around))]


STEP = StepKind(
    id="trigger_release",
    words="a release of the trigger",
    sought="at least {least_times:g} releases of the trigger in one session",
    session="bench",
    roles=(("trigger",),),
    keys=Keys,
    find=find,
)
