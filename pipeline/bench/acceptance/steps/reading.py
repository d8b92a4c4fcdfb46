"""Readings of an instrument beside the bus, as an insulation tester's: from a file that `herdbook accept --readings`
names."""

from __future__ import annotations

from herdbook.pipeline.bench.acceptance.step_kind import Scene, Span, StepKind
from herdbook.pipeline.vehicle.figures import Figures


class Keys(Figures):
    """None of its own."""


def find(scene: Scene, keys: Keys) -> list[Span]:
    return []


STEP = StepKind(
    id="reading",
    words="readings of an instrument",
    sought="readings in a file that --readings names",
    session="",
    roles=(),
    keys=Keys,
    find=find,
    logged=False,
)
