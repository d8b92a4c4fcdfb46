"""Temperature sensors judged against each other: open, short, frozen, jumping, off after a long rest.

Items: "cell 3", "motor left", "fet right", "board", "air". Siblings are sensors of one family; the board and
the air have none and are held against the middle of the cells.
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.frozen_sensor import flips, resolution, steady
from herdbook.pipeline.metrics.shared.heat_grid import STEP_S, Grid, middle_of, pack_body
from herdbook.pipeline.science.robust_fit import median
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.signals import Series, Signals

FAMILIES = {
    "cell_temp": "cell",
    "motor_temp": "motor",
    "fet_temp": "fet",
    "bms_temp": "board",
    "ambient_temp": "air",
}
LOW_C, HIGH_C = -30.0, {"cell_temp": 120.0, "motor_temp": 200.0, "fet_temp": 170.0}
PLAUSIBLE_C = (-25.0, 90.0)  # where the others must read before a rail value is called a rail value
MOVED_K = 1.0  # siblings must have moved this far, and MOVED_STEPS of their steps, before a still sensor is frozen
MOVED_STEPS = 8.0
# Under such a share of its siblings' movement a sensor must move by so many steps, and so alike to them (correlation),
# to be alive: engineering choices, made after sound sensors beside a far too hot twin in an outside simulation had been
# called frozen.
FOLLOWS_SHARE, FOLLOWS_STEPS, FOLLOWS_R = 0.5, 3.0, 0.8
BY_ITSELF_STEPS = 2.0  # so far, and it has not stood still: engineering choice, made after the same
AGREED_K = 3.0
OUTSIDE = ("motor_temp", "fet_temp", "ambient_temp")  # of the pack
STARTS_BINS = 12  # two minutes
JUMP_K, JUMP_S = 8.0, 2.5  # no sensed body of this size warms so fast: engineering choice
SOAK_TAUS = 2.0


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    grid = Grid.of(session)
    if grid.n < 6:
        return Outcome()
    tracks = {
        (role, str(item)): (signals.series(role, item), grid.means(signals, role, item))
        for role in FAMILIES
        for item in signals.items(role)
        if len(signals.series(role, item)) >= 5
    }
    steps = {key: resolution(series) for key, (series, _) in tracks.items()}
    out: list[Metric] = []
    roles = dict.fromkeys(role for role, _ in tracks)
    families = {role: middle_of({i: v for (r, i), (_, v) in tracks.items() if r == role}) for role in roles}
    for (role, item), (series, own) in tracks.items():
        name = f"{FAMILIES[role]} {item}".strip()
        siblings = {i: v for (r, i), (_, v) in tracks.items() if r == role and i != item}
        beside = middle_of(siblings) if siblings else None
        middle = beside
        if beside is None:  # a lone sensor is held against the cells, a lone one of the cells against all others
            rest = {r: v for r, v in families.items() if r != role}
            middle = families.get("cell_temp") if role != "cell_temp" else middle_of(rest) if rest else None
        # one that kept its reading shows no step
        step = min((steps[role, i] for i in siblings if steps[role, i] > 0), default=np.inf)
        went = [float(np.ptp(v[np.isfinite(v)])) for v in siblings.values() if np.isfinite(v).any()]
        out += _one(
            name,
            role,
            series,
            own=own,
            middle=middle,
            most_k=sorted(went)[(len(went) - 1) // 2] if len(went) > 1 else np.inf,
            least_k=max(MOVED_K, MOVED_STEPS * step),
            step=steps[role, item],
        )
        others = _agreed({r: v for r, v in families.items() if r != role})
        rested = beside if len(siblings) >= 2 else others
        out += _offsets(name, session, own, rested, pack_body(profile).tau_s)
        out += _levels(name, series)
        if role == "cell_temp" and beside is not None:
            sound = {i: v for i, v in siblings.items() if not _wild(v)}
            coarse = max(step if np.isfinite(step) else 0.0, steps[role, item])
            out += _apart(name, own, _beside(own, sound or siblings), coarse)
            if len(siblings) == 1 and others is not None:
                out += _third(name, own - others)
            if (outside := _agreed({r: families[r] for r in OUTSIDE if r in families}, fewest=2)) is not None:
                out += _over_outside(name, own - outside)
    return Outcome(tuple(out))


def _wild(v: Floats) -> bool:
    """Open, shorted or silent: no sibling to stand beside."""
    known = v[np.isfinite(v)]
    return not known.size or not LOW_C < median(known) < HIGH_C["cell_temp"]


def _beside(own: Floats, siblings: dict[str, Floats]) -> Floats:
    """Middle of the siblings. Of two it is half way between them, so that one that reads wrong would put the other two
    apart as well: then the nearer one, moment by moment."""
    if len(siblings) != 2:
        return middle_of(siblings)
    one, other = siblings.values()
    with np.errstate(invalid="ignore"):
        return np.where(~np.isfinite(other) | (np.abs(own - one) <= np.abs(own - other)), one, other)


def _levels(name: str, s: Series) -> list[Metric]:
    """What it read, so that one that keeps its value from day to day is seen, however short the sessions."""
    v = s.v[np.isfinite(s.v)]
    if v.size < 5:
        return []
    low, high = np.percentile(v, (2.0, 98.0), method="nearest").tolist()  # a spike of interference is no level
    levels = {"lowest": low, "middle": median(v), "highest": high}
    return [Metric(f"temp_{word}_c", x, "degC", n=int(v.size), item=name) for word, x in levels.items()]


def _apart(name: str, own: Floats, beside: Floats, step: float) -> list[Metric]:
    """How far it stands from its siblings all through the session: an error is there at rest and under load alike,
    heat comes and goes. A tenth of the time may be noise."""
    apart = (own - beside)[np.isfinite(own - beside)]
    if apart.size < 6:
        return []
    middle = median(apart)
    least = float(np.percentile(np.abs(apart), 10.0)) if np.mean(apart * middle > 0) >= 0.9 else 0.0
    se = float(np.hypot(step / np.sqrt(6.0), 0.1))  # two readings, each rounded to a step
    return [
        Metric("temp_apart_k", middle, "K", se, int(apart.size), item=name),
        Metric("temp_apart_least_k", float(np.copysign(least, middle)), "K", se, int(apart.size), item=name),
    ]


def _third(name: str, apart: Floats) -> list[Metric]:
    """Of two sensors apart neither tells which is wrong; what else agrees when the session begins does."""
    first = apart[:STARTS_BINS][np.isfinite(apart[:STARTS_BINS])]
    return [Metric("temp_third_k", median(first), "K", 0.5, int(first.size), item=name)] if first.size >= 3 else []


def _over_outside(name: str, over: Floats) -> list[Metric]:
    """How far a place in the pack stands over what is not in the pack, as the session begins: motors, power stages and
    the air agree after a rest alone, as they cool within an hour and a pack in several. Its own board is no witness: it
    warms with the pack."""
    first = over[:STARTS_BINS][np.isfinite(over[:STARTS_BINS])]
    return (
        [Metric("temp_over_outside_k", median(first), "K", 0.5, int(first.size), item=name)] if first.size >= 3 else []
    )


def _agreed(families: dict[str, Floats], fewest: int = 3) -> Floats | None:
    """Middle of the families' middles, where so many of them lie within AGREED_K; empty elsewhere."""
    if len(families) < fewest:
        return None
    stack = np.stack(list(families.values()))
    known = np.isfinite(stack)
    apart = np.where(known, stack, -np.inf).max(axis=0) - np.where(known, stack, np.inf).min(axis=0)
    alike = (known.sum(axis=0) >= fewest) & (apart <= AGREED_K)
    return np.asarray(np.where(alike, middle_of(families), np.nan))


def _one(
    name: str, role: str, s: Series, own: Floats, middle: Floats | None, most_k: float, least_k: float, step: float
) -> list[Metric]:
    """most_k: what half of the siblings went: where one place alone warms, the others stand still and are sound."""
    finite = np.isfinite(s.v)
    missing = float(1.0 - finite.mean())
    out = [Metric("temp_missing_share", missing, "1", n=len(s), item=name)]
    v, t = s.v[finite], s.t[finite]
    if v.size > 1:
        with np.errstate(invalid="ignore"):
            jumps = (np.abs(np.diff(v)) > JUMP_K) & (np.diff(t) <= JUMP_S * 1e6)
        out.append(Metric("temp_jumps", float(jumps.sum()), "1", n=int(v.size), item=name))
    if middle is None:
        # a lone cell sensor needs no sibling where it is at an end of its range most of the time
        ends = (own <= LOW_C) | (own >= HIGH_C["cell_temp"])
        if role != "cell_temp" or ends.sum() < max(6, 0.5 * np.isfinite(own).sum()):
            return out
        middle = np.full(own.shape, 20.0)
    both = np.isfinite(own) & np.isfinite(middle) & (middle > PLAUSIBLE_C[0]) & (middle < PLAUSIBLE_C[1])
    if both.sum() >= 6:
        high = HIGH_C.get(role, 120.0)
        rail = (own[both] <= LOW_C) | (own[both] >= high)
        share = float(rail.mean()) if steady(own[both][rail]) else 0.0
        if flips(v, LOW_C, high):  # by its readings: a mean over some of either lies anywhere
            share = float(((v <= LOW_C) | (v >= high)).mean())
        out.append(Metric("temp_rail_share", share, "1", n=int(both.sum()), item=name))
        moved = min(float(np.ptp(middle[both])), most_k)
        if moved >= least_k and role in ("cell_temp", "motor_temp", "fet_temp"):
            # a still sensor between two readings flickers by one step
            share = max(float(np.ptp(own[both])) - step, 0.0) / moved
            # a motor or a power stage works by itself: one twin may be hot and the other not
            by_itself = role != "cell_temp" and float(np.ptp(own[both])) >= BY_ITSELF_STEPS * step > 0.0
            if share >= FOLLOWS_SHARE or not (by_itself or _follows(own[both], middle[both], step)):
                out.append(Metric("temp_moved_share", share, "1", n=int(both.sum()), item=name))
    return out


def _follows(own: Floats, middle: Floats, step: float) -> bool:
    """It moves little, but with the others: a place far from a source of heat, or beside a twin that is far too hot."""
    if float(np.ptp(own)) < FOLLOWS_STEPS * step or not np.ptp(own):
        return False
    return float(np.corrcoef(own, middle)[0, 1]) >= FOLLOWS_R


def _offsets(name: str, session: Session, own: Floats, middle: Floats | None, tau_s: float) -> list[Metric]:
    """Own less the siblings' median at the session's start and, for a rest long enough, at its end."""
    if middle is None:
        return []
    apart = own - middle
    out = []
    first = apart[:6][np.isfinite(apart[:6])]
    if first.size >= 3:
        out.append(Metric("temp_start_offset_k", median(first), "K", 0.15, int(first.size), item=name))
    last = apart[-180:][np.isfinite(apart[-180:])]
    if session.kind == "rest" and own.size * STEP_S >= SOAK_TAUS * tau_s and last.size >= 3:
        out.append(Metric("temp_soak_offset_k", median(last), "K", 0.1, int(last.size), item=name))
    return out


SET = MetricSet(
    id="temp_sensors",
    subject=Subject.HEAT,
    of_pack=True,
    needs=(),
    kinds=("ride", "charge", "rest", "bench"),
    compute=compute,
    gives={
        "temp_missing_share": ("1", "Share of received samples without a value."),
        "temp_jumps": ("1", "Steps of more than 8 K from one sample to the next."),
        "temp_rail_share": ("1", "Share of the session at a value only an open or shorted sensor gives."),
        "temp_moved_share": (
            "1",
            "Own range less one step over the siblings' range, which half of them went, and at least 1 K and eight of "
            "their steps; not told of one that moves less than half as far but with them.",
        ),
        "temp_start_offset_k": ("K", "Own less the siblings' median in the first minute."),
        "temp_soak_offset_k": ("K", "The same at the end of a rest of two thermal time constants."),
        "temp_lowest_c": ("degC", "Lowest reading, but for 2 %."),
        "temp_middle_c": ("degC", "Median reading."),
        "temp_highest_c": ("degC", "Highest reading, but for 2 %."),
        "temp_apart_k": ("K", "A cell sensor less its siblings' median, or the nearer of two, middle of the session."),
        "temp_apart_least_k": (
            "K",
            "The same where it is least, but for a tenth of the time; 0 when it changes sides.",
        ),
        "temp_over_outside_k": (
            "K",
            "A cell sensor less what motors, power stages and air agree on as the session begins.",
        ),
        "temp_third_k": ("K", "One of two cell sensors less what other places agree on as the session begins."),
    },
    source="open, short and still sensors: common practice; thresholds: engineering choice, beside each",
    version=10,  # one that flips between both ends; in 9 what heats beyond a sensor's range is not open
)
