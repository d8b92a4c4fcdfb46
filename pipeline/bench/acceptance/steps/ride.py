"""A ride profile: the unit moves. Sessions of kind ride, as everywhere; how it is ridden is for the plan's limits on
distance, speed and use to say."""

from __future__ import annotations

from herdbook.pipeline.bench.acceptance.step_kind import Scene, Span, StepKind, seconds
from herdbook.pipeline.vehicle.figures import Figures, Usual


class Keys(Figures):
    least_s = Usual("s", 10, 1e6, "it lasts so long at least", default="60", otherwise=lambda _: 60.0)


def find(scene: Scene, keys: Keys) -> list[Span]:
    return [scene.span] if scene.kind == "ride" and seconds(scene.span) >= keys.least_s else []


STEP = StepKind(
    id="ride",
    words="a ride",
    sought="travel of at least {least_s:g} s, short stops included",
    session="ride",
    roles=(("vehicle_speed", "motor_speed"),),
    keys=Keys,
    find=find,
)
