"""A full braking: the brake command stands near its end for a while. Each is measured from before the command begins
until the brake has let go, and the mean over all of them is held against the limits."""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.bench.acceptance.step_kind import Scene, Span, StepKind, Taken
from herdbook.pipeline.science.stretches import stretches
from herdbook.pipeline.spans import joined
from herdbook.pipeline.vehicle.figures import Figures, Usual

PAUSE_S = 0.3  # a frame that is lost does not end a braking
BEFORE_S, AFTER_S = 2.0, 1.5  # what the brake sets need around one (engineering choices)
ASKED_PCT = 1.0  # from here on the brake is asked for (engineering choice)


class Keys(Figures):
    demand_pct = Usual("%", 1, 100, "the brake command is at least this", default="95", otherwise=lambda _: 95.0)
    hold_s = Usual("s", 0.1, 60, "for so long", default="0.4", otherwise=lambda _: 0.4)


def find(scene: Scene, keys: Keys) -> list[Span]:
    demand = scene.signals.series("brake_demand")
    with np.errstate(invalid="ignore"):
        full = stretches(demand.t, demand.v >= keys.demand_pct, PAUSE_S, least_s=keys.hold_s, least_n=3)
        asked = stretches(demand.t, demand.v >= min(ASKED_PCT, keys.demand_pct), PAUSE_S)
    whole = np.searchsorted(asked.first, full.first, side="right") - 1  # the braking in which each lies
    first, last = demand.t[asked.first[whole]], demand.t[asked.last[whole]]
    return joined(
        [
            (max(scene.span[0], int(a - BEFORE_S * 1e6)), min(scene.span[1], int(b + AFTER_S * 1e6)))
            for a, b in zip(first, last, strict=True)
        ],
        0,
    )


STEP = StepKind(
    id="full_braking",
    words="a full braking",
    sought="a brake command of at least {demand_pct:g} % held for {hold_s:g} s",
    session="bench",
    roles=(("brake_demand",),),
    keys=Keys,
    find=find,
    taken=Taken.EACH,
)
