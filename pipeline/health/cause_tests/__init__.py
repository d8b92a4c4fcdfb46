"""The tests that causes are told by: states, fault bits, levels and pairs of signals in a finding's windows, measured
events and figures of the record, other findings of the vehicle, or the plain word that only a measurement can tell. May
touch what rules touch; says only what was recorded."""

from herdbook.pipeline.health.cause_tests.charge_ends import a_group_was_first, no_group_was_full
from herdbook.pipeline.health.cause_tests.events import event_figure
from herdbook.pipeline.health.cause_tests.fault_bits import bit_borne_out, bits_set
from herdbook.pipeline.health.cause_tests.figures import (
    alone_among,
    capacity_counted,
    charged_full,
    figure,
    group_missing,
    moves,
    stood_for,
)
from herdbook.pipeline.health.cause_tests.gaps import ran_through_the_gap
from herdbook.pipeline.health.cause_tests.leak_heat import short_makes_the_heat
from herdbook.pipeline.health.cause_tests.levels import over, under
from herdbook.pipeline.health.cause_tests.other_findings import also_found, at_the_same_time, found_at
from herdbook.pipeline.health.cause_tests.states import reads_in
from herdbook.pipeline.health.cause_tests.third_witness import link_sides_with
from herdbook.pipeline.health.cause_tests.together import any_of, less_likely_if, only_by, unless
from herdbook.pipeline.health.cause_tests.two_signals import (
    apart,
    less_than,
    more_than_twin,
    motors_alike,
    over_top_speed,
    while_highest,
)
from herdbook.pipeline.health.cause_tests.wiring import pulls_like_its_twin, shared_tap, stepped

__all__ = [
    "a_group_was_first",
    "alone_among",
    "also_found",
    "any_of",
    "apart",
    "at_the_same_time",
    "bit_borne_out",
    "bits_set",
    "capacity_counted",
    "charged_full",
    "event_figure",
    "figure",
    "found_at",
    "group_missing",
    "less_likely_if",
    "less_than",
    "link_sides_with",
    "more_than_twin",
    "motors_alike",
    "moves",
    "no_group_was_full",
    "only_by",
    "over",
    "over_top_speed",
    "pulls_like_its_twin",
    "ran_through_the_gap",
    "reads_in",
    "shared_tap",
    "short_makes_the_heat",
    "stepped",
    "stood_for",
    "under",
    "unless",
    "while_highest",
]
