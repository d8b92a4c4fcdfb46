"""A rest: the unit stands, and no current flows but what its electronics need. Sessions of kind rest, as everywhere."""

from __future__ import annotations

from herdbook.pipeline.bench.acceptance.step_kind import Scene, Span, StepKind, seconds
from herdbook.pipeline.vehicle.figures import Figures, Usual


class Keys(Figures):
    least_s = Usual("s", 10, 1e6, "it lasts so long at least", default="60", otherwise=lambda _: 60.0)


def find(scene: Scene, keys: Keys) -> list[Span]:
    return [scene.span] if scene.kind == "rest" and seconds(scene.span) >= keys.least_s else []


STEP = StepKind(
    id="rest",
    words="a rest",
    sought="a time without travel and charge of at least {least_s:g} s",
    session="rest",
    roles=(("pack_current", "vehicle_speed", "motor_speed", "charger_state"),),
    keys=Keys,
    find=find,
)
