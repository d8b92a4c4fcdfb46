"""The drive page: how the brake answers, what moving costs, belts and encoders, the remote's link."""

from __future__ import annotations

from typing import TYPE_CHECKING

from herdbook.pipeline.reports.drawing.session_figures import figures_table
from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.page.blocks import Block, Leaf, Note

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.store.store import Store

ORDER = 50  # place in the dossier
TABLES = (
    (
        "Brake and trigger",
        (
            ("brake_response_s", "Brake: demand to delivery, at half height"),
            ("regen_ratio", "Regeneration delivered over demanded"),
            ("regen_energy_wh", "Energy given back in a session's braking events"),
            ("braking_pack_v_max", "Highest pack voltage while braking"),
            ("braking_link_v_max", "Highest DC-link voltage while braking"),
            ("release_to_zero_s", "Trigger let go to no drive torque, longest"),
            ("unasked_braking_count", "Braking events that nobody asked for"),
        ),
    ),
    (
        "Energy per km",
        (
            ("consumption_wh_km", "Energy a kilometre, less what was given back"),
            ("regen_wh_km", "Energy given back a kilometre"),
            ("regen_share", "Energy given back over energy taken out"),
            ("coast_rolling", "Rolling resistance over weight, coasting; grade not observed"),
            ("travel_rolling", "Rolling resistance over weight, all travel without brake; grade not observed"),
            ("ride_mass_kg", "Weight with rider and load, by how it answers to changes of force"),
            ("ride_head_wind", "Wind from ahead, by how resistance grows with speed"),
        ),
    ),
    (
        "Belts, encoders, controller",
        (
            ("belt_slip_pct", "Motor ahead of its wheel at 30 A"),
            ("speed_apart_pct", "Right motor faster than the left, corners evened out"),
            ("encoder_dropout_count", "Losses of a motor's speed"),
            ("speed_implausible_share", "Implausible motor-speed samples"),
            ("reset_count", "Restarts of the controller"),
            ("fault_s", "Time with fault bits set"),
            ("derated_share", "Share of the time with torque reduced"),
        ),
    ),
    (
        "The remote's link",
        (
            ("link_quality_pct", "Quality, mean"),
            ("link_quality_p01_pct", "Quality undercut in 1 % of the samples"),
            ("packet_age_p99_ms", "Age of the newest packet, exceeded in 1 % of the samples"),
            ("link_loss_count", "Losses past the command time-out"),
            ("link_loss_s", "Time lost in these"),
        ),
    ),
)


def leaf(store: Store, con: duckdb.DuckDBPyConnection, facts: Facts) -> Leaf:
    blocks: list[Block] = [block for title, chosen in TABLES for block in figures_table(facts, title, chosen)]
    if not blocks:
        blocks.append(Note("No ride with a figure of drive, brake or link is on record.", "absent"))
    lead = (
        "Session by session, from the same figures as the rules judge. Mass, slope, wind and tyres are not observed: "
        "compare a unit with its own past and with its peers before comparing it with a book."
    )
    return Leaf("drive", "Drive and link", lead, blocks)
