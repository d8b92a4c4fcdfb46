"""Moments at which the pack's charge is known from outside the counting: full, or rested in a steep zone.

Full: charge termination, when the charger's current falls below its end current with the groups near their top. Low:
the mean rest voltage where the open-circuit curve is steep enough. The plateau is refused: an anchor there is worth
plus or minus ten per cent and more. Charge counted between two anchors gives the capacity; across sessions that is done
over the record (pipeline/health/pack/capacity.py), inside one session here.
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats
from herdbook.pipeline.metrics.cell_resistance import EA_EV
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.group_ohm import usual_ohm
from herdbook.pipeline.metrics.shared.session_charge import session_charge, usual_gap
from herdbook.pipeline.metrics.shared.steady_moments import Steady, quiet_runs, steady
from herdbook.pipeline.science.arrhenius import BOLTZMANN_EV, KELVIN, resistance_factor
from herdbook.pipeline.science.coulomb import integrate
from herdbook.pipeline.science.ocv import Ocv
from herdbook.pipeline.science.robust_fit import known_medians, median
from herdbook.pipeline.vehicle.chemistry import ocv_of
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Event, Metric, Session
from herdbook.pipeline.vehicle.signals import Signals

WORST_SE_PCT = 3.0  # vaguer anchors are refused (engineering choice)
REST_C = 1 / 50
FULL_SE_PCT = 1.0  # what "full" means varies by this much with current and temperature (engineering choice)
# A charge that is ended under current has filled the pack by this much, known so well, where the middle group stands
# beyond the plateau with its drop taken out and TIMES its errors to spare; the current at most FLOWS_C
# (engineering choices, made after an outside simulation whose packs were full at a third of C had shown no anchor).
FLOWING_PCT, FLOWING_SE_PCT, FLOWS_C, TIMES = 99.0, 2.0, 0.35, 2.0
# The drop: what an hour of current adds to that of ten seconds, as a share of it; its error; how far a pack's own
# resistance may lie off the usual by make and age; how far tables lie apart at the plateau's end, V (engineering
# choices). In the cold the temperature law multiplies it all.
SLOW, SLOW_SE, AGED, CURVE_V = 1.0, 0.5, 0.3, 0.02
RELAX_V = 0.020  # left to relax two minutes after load; halves with every fourfold rest (engineering choice)
RELAX_S = 120.0
LEAST_SPAN_PCT = 60.0
TEMP_S = 300.0  # a pack's warmth holds so long
HOLD_S = 30.0  # as for energy: the pack's voltage stands for so long
LEAST_COVERAGE = 0.98  # missing seconds are missing charge (engineering choice)
GAIN, ZERO_A = 0.01, 0.05  # errors of the current sensor when nothing better is known (engineering choice)


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    rated = profile.pack_figures.rated_ah
    table = steady(signals, max(1.0, 0.05 * rated), most_rows=12000)
    if table is None or len(table) < 5:
        return Outcome()
    current = signals.series("pack_current")
    charge = session_charge(session, signals)
    run = np.interp(table.t, current.t, charge.run)
    ocv = ocv_of(profile.pack)
    anchors = [] if ocv is None else _low(table, run, ocv, rated)
    full = full_anchor(table, run, signals, profile)
    if full is not None:
        anchors.append(full)
    anchors.sort(key=lambda e: e.start)
    _add_energy(anchors, signals)
    hours, out_ah = charge.recorded_s / 3600, float(charge.run[-1])
    error = float(np.hypot(GAIN * out_ah, ZERO_A * hours))
    metrics = [Metric("pack_run_ah", out_ah, "Ah", se=error, n=len(current), coverage=charge.coverage)]
    if full is not None and charge.coverage >= LEAST_COVERAGE:
        metrics += _capacity([a for a in anchors if a.item == "low"], full, hours, rated, charge.coverage)
    return Outcome(tuple(metrics), tuple(anchors))


def _add_energy(anchors: list[Event], signals: Signals) -> None:
    """Wh out of and into the pack from the session's start to each anchor, where the pack's voltage is known."""
    if not anchors or not signals.has("pack_voltage"):
        return
    current = signals.series("pack_current")
    power = current.v * signals.at(current.t, "pack_voltage", "", HOLD_S)
    gap_s = usual_gap(signals, current)
    for anchor in anchors:
        k = int(np.searchsorted(current.t, anchor.start, side="right"))
        wh = integrate(current.t[:k], power[:k], gap_s)
        anchor.data.update(out_wh=wh.out_ah, in_wh=wh.in_ah)


def _capacity(lows: list[Event], full: Event, hours: float, rated: float, coverage: float) -> list[Metric]:
    """Capacity of the pack from the widest span of charge between a low rest and full in this session."""
    if not lows:
        return []
    low = min(lows, key=lambda a: a.data["soc_pct"])
    span = full.data["soc_pct"] - low.data["soc_pct"]
    ah = abs(full.data["run_ah"] - low.data["run_ah"])
    if span < LEAST_SPAN_PCT or ah == 0.0:
        return []
    capacity = 100 * ah / span
    anchors = float(np.hypot(low.data["se_pct"], full.data["se_pct"])) / span
    se = capacity * float(np.sqrt(anchors**2 + GAIN**2 + (ZERO_A * hours / ah) ** 2))
    return [
        Metric("pack_capacity_ah", capacity, "Ah", se=se, n=2, coverage=coverage),
        Metric("pack_soh_pct", 100 * capacity / rated, "%", se=100 * se / rated, n=2, coverage=coverage),
    ]


def _low(table: Steady, run: np.ndarray, ocv: Ocv, rated: float) -> list[Event]:
    """First and last rest of the session whose mean group voltage can be read in per cent."""
    found = []
    for rows in quiet_runs(table, REST_C * rated):
        used = rows[table.t[rows] >= table.t[rows[-1]] - 30_000_000]
        volts = float(np.median(table.v[used]))  # of all groups: a wire without contact reads nought
        rested = max(float(table.t[rows[-1]] - table.t[rows[0]]) / 1e6, 1.0)
        # a stop of seconds on the way is no rest; a session that begins at rest had stood before it
        stood = not (np.abs(table.current[: rows[0]]) > REST_C * rated).any()
        unrelaxed = RELAX_V / np.sqrt(max(rested / RELAX_S, 1.0 if stood else 0.0))
        soc, se = ocv.soc(volts, unrelaxed, "discharge")
        if se <= WORST_SE_PCT and soc < 50.0:
            data = {"soc_pct": soc, "se_pct": se, "run_ah": float(run[used[-1]]), "rest_s": rested, "rest_v": volts}
            found.append(Event("charge_anchor", int(table.t[used[0]]), int(table.t[used[-1]]), "low", data))
    return found


def full_anchor(table: Steady, run: np.ndarray, signals: Signals, profile: Profile) -> Event | None:
    """The last row of charging whose current has fallen to the end current with groups near the top, or, ended with
    current still flowing, of which the middle group is surely beyond the plateau."""
    rated = profile.pack_figures.rated_ah
    pack = profile.pack_figures
    end_a = rated / 20 if pack.charge_end_a is None else 1.5 * pack.charge_end_a
    tapered = (table.current < -0.25 * end_a) & (table.current > -end_a)
    # The middle group's: a charge that one group ends leaves the others short of full.
    middle = np.median(table.v, axis=1)
    at = tapered & (middle > pack.of_chemistry.full_v)
    soc, se = 100.0, FULL_SE_PCT
    if at.sum() < 3:
        flows = (table.current < -0.25 * end_a) & (table.current > -FLOWS_C * rated)
        at = flows & _beyond_plateau(table, middle, signals, profile) & (middle > pack.of_chemistry.full_v)
        soc, se = FLOWING_PCT, FLOWING_SE_PCT
    if at.sum() < 3:
        return None
    k = int(np.flatnonzero(at)[-1])
    data = {"soc_pct": soc, "se_pct": se, "run_ah": float(run[k]), "mean_v": median(table.v[k])}
    return Event("charge_anchor", int(table.t[k]), int(table.t[k]), "full", data)


def _beyond_plateau(table: Steady, middle: Floats, signals: Signals, profile: Profile) -> Bools:
    """Whether the middle group's voltage, its drop at that temperature taken out, is surely beyond the plateau.

    A cold pack stands high from its resistance long before it is full, and how high is hardly known: there nothing is
    sure. Nothing either where no sensor tells how warm it is."""
    pack = profile.pack_figures
    items = signals.items("cell_temp")
    if not items:
        return np.zeros(middle.size, bool)
    temp = known_medians(np.stack([signals.at(table.t, "cell_temp", i, TEMP_S) for i in items]))
    drop = -table.current * usual_ohm(profile) * (1.0 + SLOW) * resistance_factor(pack.cell_r_ea_ev, temp)
    apart = np.abs(1.0 / (temp + KELVIN) - 1.0 / (25.0 + KELVIN)) / BOLTZMANN_EV
    share = np.sqrt(AGED**2 + (SLOW_SE / (1.0 + SLOW)) ** 2 + (EA_EV * apart) ** 2)
    left = middle - drop - TIMES * np.hypot(share * drop, CURVE_V)
    return np.asarray(left > pack.of_chemistry.plateau_v[1])  # unknown warmth: false


SET = MetricSet(
    id="pack_anchors",
    subject=Subject.PACK,
    needs=("cell_voltage", "pack_current"),
    figures=("pack.rated_ah",),
    kinds=("ride", "charge", "rest", "bench"),
    compute=compute,
    gives={
        "pack_run_ah": ("Ah", "Charge out less charge in over the session"),
        "pack_capacity_ah": ("Ah", "Capacity from charge counted between a low rest and full"),
        "pack_soh_pct": ("%", "The same as a share of rated capacity"),
    },
    version=5,
    source="anchors on steep parts of the open-circuit curve; table: pipeline/vehicle/chemistries or the profile",
)
