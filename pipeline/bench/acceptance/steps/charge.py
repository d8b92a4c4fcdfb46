"""A charge: current flows into the pack and the unit stands. Sessions of kind charge, as everywhere."""

from __future__ import annotations

from herdbook.pipeline.bench.acceptance.step_kind import Scene, Span, StepKind, seconds
from herdbook.pipeline.vehicle.figures import Figures, Usual


class Keys(Figures):
    least_s = Usual("s", 60, 1e6, "it lasts so long at least", default="600", otherwise=lambda _: 600.0)


def find(scene: Scene, keys: Keys) -> list[Span]:
    return [scene.span] if scene.kind == "charge" and seconds(scene.span) >= keys.least_s else []


STEP = StepKind(
    id="charge",
    words="a charge",
    sought="charging of at least {least_s:g} s",
    session="charge",
    roles=(("pack_current", "charger_current", "charger_state", "bms_state"),),
    keys=Keys,
    find=find,
)
