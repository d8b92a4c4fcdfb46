"""The electric brake is delivering, then it is gone within a blink while the rider still asks for it.

The most dangerous braking fault: the rider leans against a force that vanishes. A pack that opens its charge switch
while braking looks like this: pack current to zero in a frame, the DC link above the pack voltage, torque lost. A
limiter's taper is slower than 0.3 s and is not counted, nor is walking pace, nor a released lever.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import also_found, any_of, apart, bits_set, less_than, reads_in
from herdbook.pipeline.health.reading import windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.rules._judged_brakings import CAUTION, table, without_known
from herdbook.pipeline.health.sentences import spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.since import newest_stretch
from herdbook.pipeline.health.statistics import largest
from herdbook.pipeline.metrics.shared.braking_samples import envelope_of

# figures that say when this vehicle's brake is rightly less
TAPERS = ("regen_soc_full_pct", "regen_cell_full_v", "regen_cold_full_c", "regen_hot_full_c")


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    every = table(record)
    # one that let go as soon as it had come may never have settled
    every = every.filter(pl.col("delivered_a").is_not_null() | pl.col("dropout_s").is_not_null())
    brakings = without_known(record, every)
    if not brakings.height:
        return NotAssessed("no braking with demand and delivery recorded")
    if not (brakings["dropout_s"].cast(pl.Float64).to_numpy() >= limits["duration"]).any():
        return []
    # a limiter that cuts off a full, cold or hot pack is hard, but it is not this fault
    # (where what was allowed is not recorded, a state that calls for it speaks for the limiter, unless the next braking
    # in that state got its current: a limiter that cuts does not give back at once)
    brakings = brakings.with_columns(
        again=pl.col("ratio").shift(-1).over("session_start_t"),
        then=pl.col("state_share").shift(-1).over("session_start_t"),
    )
    came_back = (pl.col("again") > 0.5) & (pl.col("then") < pl.col("dropout_share") + 0.05)
    came_back = came_back & (pl.col("dropout_share") > limits["gone"]) & pl.col("dropout_allowed_a").is_null()
    # cold, heat and charge do not come and go within seconds; a voltage may
    calm = pl.col("cell_max_v") < envelope_of(record.profile).cell_v.full
    came_back = came_back.fill_null(False) | ((pl.col("dropout_back") == 1.0) & calm).fill_null(False)
    allowed = pl.col("dropout_allowed_a").fill_null(0.0)
    cut_off = (allowed < 0.3 * pl.col("demand_a")) & (pl.col("dropout_share") < limits["left"])
    lost = (
        (pl.col("dropout_s") >= limits["duration"])
        & ~(cut_off & ~came_back).fill_null(False)
        & ~_refused(every, limits)
    )
    since = newest_stretch(brakings, brakings.select(lost.fill_null(False)).to_series().to_numpy(), limits["blinks"])
    brakings, hit = since.rows, _allowed(record, since.hit, limits["free"])
    # one is certain only where it is known what was allowed: else it may have been a limiter of the controller's own
    alone = (hit.drop_nulls("dropout_allowed_a")["dropout_s"] >= limits["alone"]).any()
    if not alone and (hit.height < limits["count"] or since.chance > limits["chance"]):
        return []
    longest = largest(hit["dropout_s"])
    known = hit.drop_nulls("dropout_allowed_a")
    cut = known.filter(pl.col("dropout_allowed_a") < 0.5 * pl.col("demand_a")).height
    how = (
        "what the limits allowed then is not recorded"
        if known.height <= hit.height / 2
        else "the limits fell to nothing at the same moment"
        if cut > known.height / 2
        else "the limits still allowed the current"
    )
    return [
        Finding(
            severity=Severity.STOP_USE,
            item="",
            measured=longest,
            limit=limits["duration"],
            unit="s",
            statement=f"In {hit.height} of {brakings.height} braking events the electric brake let go while it was "
            f"asked for, for up to {spell(longest, 's')}; {how}.",
            # one alone may be a relay, a restart or lost frames that no rule has named. 0.9 is not measured: it is the
            # least that stop use asks for, since a brake that was lost under way is not tried again to be surer
            confidence=0.99 if hit.height >= limits["count"] else 0.9,
            persistence=hit.height / brakings.height,
            count=hit.height,
            duration_s=float(hit["dropout_s"].sum()),
            windows=windows(hit, "dropout_s"),
            signals=(
                "regen_current",
                "regen_demand",
                "regen_allowed",
                "pack_current",
                "dc_link_voltage",
                "vehicle_speed",
            ),
        )
    ]


def _refused(every: pl.DataFrame, limits: Mapping[str, float]) -> pl.Expr:
    """Brakings in which the limits fell to nothing and stayed there, of a controller that as often bars whole brakings
    without a reason: what flowed before was left from a released lever, and it is a brake that is refused."""
    little = limits["barred"] * pl.col("demand_a")
    fell = (pl.col("dropout_s") >= limits["duration"]) & (pl.col("dropout_back") == 0.0)
    fell = (fell & (pl.col("dropout_allowed_a") < little)).fill_null(False)
    whole = every.filter(
        ~fell, pl.col("allowed_a") < little, pl.col("delivered_a") < little, pl.col("state_share") >= limits["free"]
    )
    return fell & (whole.height >= every.filter(fell).height)


def _allowed(record: Record, hit: pl.DataFrame, free: float) -> pl.DataFrame:
    """Where the controller does not say what it allowed, the pack's own limit stands in, if the tapers of this vehicle
    leave all of it over then: by its profile, since those of usual vehicles need not be its own."""
    if not record.profile.drive_figures.given(*TAPERS):
        return hit
    pack = pl.when(pl.col("dropout_share") >= free).then(pl.col("charge_limit_a"))
    return hit.with_columns(dropout_allowed_a=pl.coalesce("dropout_allowed_a", pack))


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import profile
    from herdbook.pipeline.health.rules._example_brakings import braked

    fell = {"dropout_s": 3.0, "dropout_allowed_a": 0.0, "dropout_share": 1.0, "dropout_back": 0.0}

    def once(tapers: bool) -> Record:
        """The pack allowed the current; the controller does not say."""
        drive = dict.fromkeys(TAPERS, 1.0) if tapers else {}
        lost = {"dropout_s": 0.6, "dropout_share": 1.0, "dropout_allowed_a": float("nan"), "charge_limit_a": 40.0}
        return replace(braked(lost, *[{}] * 8), profile=profile(drive=drive))

    return Cases(
        fires_on=(
            braked({"dropout_s": 0.6, "dropout_allowed_a": 40.0}, *[{}] * 30),
            braked(
                *[
                    {"dropout_s": 1.0, "dropout_share": 0.4, "state_share": 0.4, "ratio": 0.7},
                    {"state_share": 0.4, "ratio": 0.9},
                ]
                * 3
            ),
            braked(*[{"dropout_s": 0.25, "dropout_allowed_a": 0.0, "dropout_share": 1.0}] * 2, *[{}] * 30),
            braked(*[{"dropout_s": 1.0, "dropout_share": 0.1, "cell_max_v": 3.3, "dropout_back": 1.0}] * 3, *[{}] * 30),
            once(tapers=True),
        ),
        quiet_on=(
            braked(*[{"dropout_s": 0.6, "dropout_allowed_a": 0.0, "dropout_share": 0.1}] * 3, *[{}] * 30),
            braked(*[{"dropout_s": 1.0, "dropout_share": 0.4, "state_share": 0.4, "ratio": 0.1}] * 3, *[{}] * 30),
            braked(*[{"dropout_s": 1.0, "dropout_share": 0.1, "cell_max_v": 3.3, "dropout_back": 0.0}] * 3, *[{}] * 30),
            braked(*[{"dropout_s": 1.0, "dropout_share": 0.1, "cell_max_v": 3.6, "dropout_back": 1.0}] * 3, *[{}] * 30),
            braked(*[fell] * 3, *[{"allowed_a": 0.0, "delivered_a": 0.0, "state_share": 1.0}] * 9, *[{}] * 9),
            braked(*[{}] * 30),
            braked({"dropout_s": 0.25}, *[{}] * 30),
            once(tapers=False),  # what the controller allowed is not recorded, nor when this vehicle allows less
        ),
        unassessed_on=(braked(),),
    )


RULE = Rule(
    id="regen_dropout",
    title="Electric brake drops out while braking",
    subsystem="braking",
    severity=Severity.STOP_USE,
    needs=("braking_judged_count",),
    roles=("brake_demand", "regen_demand", "regen_current", "vehicle_speed"),
    must=("brake_demand", "regen_demand|motor_current", "regen_current|pack_current", "vehicle_speed"),
    limits=(
        Limit("duration", 0.2, "s", "shorter could be one lost frame: engineering choice"),
        Limit(
            "left",
            0.7,
            "1",
            "of the current that the pack's state leaves over; less explains a cut: engineering choice",
        ),
        Limit(
            "gone",
            0.15,
            "1",
            "of the ceiling left over by the state: under it a cut is due: engineering choice",
        ),
        Limit("free", 0.98, "1", "of the ceiling left over by the state: as for a brake that is refused"),
        Limit(
            "barred", 0.2, "1", "of the demand: allowed or given less, it was barred: as for a brake that is refused"
        ),
        Limit("count", 2, "braking events", "engineering choice"),
        Limit("blinks", 0.005, "1", "of braking events that a bad frame may make look so: engineering choice"),
        Limit("chance", 0.025, "1", "of so many at that share (binomial; each start tried is paid for)"),
        Limit(
            "alone",
            0.4,
            "s",
            "one loss this long, at speed, demand held and current allowed, needs no second: engineering choice",
        ),
    ),
    judge=judge,
    meaning="The brake force the rider relied on vanished in mid-braking.",
    causes=(
        Cause(
            "The battery management system took its permission back",
            less_than("regen_allowed", "regen_demand", "the current allowed", "the current asked"),
        ),
        Cause("The brake reported a fault of its own", reads_in("regen_state", "fault")),
        Cause(
            "The battery management system opened its switch, on a group's voltage or a loose sense wire",
            reads_in("contactor_state", "open", "fault"),
        ),
        Cause(
            "The controller tripped on over-voltage, over-current or a lost encoder",
            bits_set("motor_fault", "controller_fault"),
        ),
        Cause(
            "A loose power connector between pack and controller",
            any_of(
                apart(
                    "dc_link_voltage",
                    "pack_voltage",
                    5.0,
                    "the link leaps to {upper}, {by} above the pack",
                    "the link stays with the pack",
                ),
                also_found("resistance_outside_groups"),
            ),
        ),
    ),
    bench=(
        "Keep the logs of these seconds",
        "Read the fault memories of battery management system and controller",
        "Check power connectors and sense wires for looseness and heat marks",
        "On a stand with a load: repeat the braking at the same charge and temperature, recording both bus voltages",
    ),
    cautions=CAUTION,
    source="definitions: this project; time-outs of drive commands, 100 to 250 ms: common practice",
    version=8,  # one that comes back at once was not cut by cold or charge; one that is barred is refused
    cases=_cases,
)
