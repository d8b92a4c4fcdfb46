"""Charge, capacity and leak of the groups of one string from where each stood beside the median group, at any charge.

All groups pass the same current, so that a group whose charge differs by a share s stands at another place of the same
open-circuit curve: d = U(z + s) - U(z), with z the charge of the median group. A difference in charge keeps s, little
capacity makes it grow with depth, a leak with time. The curve U is not known well: it is learned from the string's own
median voltage (a Gaussian process around a table: C. E. Rasmussen, C. K. I. Williams, Gaussian Processes for Machine
Learning, 2006, chapter 2), and what stays unknown of it is part of every likelihood. Causes are weighed by their
evidence, the likelihood averaged over sizes and onsets, so that none wins by having more of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats, Integers, Strings

# No figure below was measured for this. Those called engineering choices were settled while open designs of
# demo_logs/makers were judged (its README says which): what such strings showed is in them, and a world unlike theirs
# may want others.

# The curve: how far it may lie off the table as a whole, and in shape, by charge: root mean square of nine published
# curves about the table, against their middle (three half cells of LFP with three of graphite, x 0.013..0.811,
# y 0.916..0.045; beyond 0.05 and 0.95 engineering choices). demo_logs/makers draws its cells from the
# same half cells (and bends seven of ten further): what its strings show is no proof that this spread holds elsewhere.
# And how fast its shape may change with charge: knees over a tenth, graphite steps over some hundredths, with shares of
# the variance (engineering choices).
NODES = np.linspace(-0.10, 1.06, 59)
LEVEL_V = 0.015
WIDTHS, SHARES = (0.12, 0.045), (0.6, 0.4)
TILT_V = 0.02  # for all of the charge: slow drop builds up while a session goes on (engineering choice)
SHAPE_AT = (-0.10, 0.0, 0.05, 0.10, 0.15, 0.20, 0.30, 0.35, 0.40, 0.60, 0.65, 0.70, 0.75, 0.80, 0.95, 0.98, 1.0, 1.06)
SHAPE_MV = (250, 250, 190, 100, 44, 30, 26, 17, 8, 8, 13, 13, 8, 10, 8, 30, 100, 200)
# Sound groups: standard deviations of charge, capacity (shares), reading (V), resistance (share). Engineering choices.
SOUND_CHARGE, SOUND_CAPACITY, TAP_V = 0.010, 0.015, 0.003
UNEVEN = 0.15  # of what resistance may have left in a reading, from one reading to the next (engineering choice)
# No difference is known better: the slow parts of the drop are not the same in all groups (engineering choice).
LEAST_V = 0.0015
SEEN = 3.0  # log odds beyond the prior's at which a fault counts as one that would have shown: twenty to one
# Evidence between causes counts for so much of itself: the shapes that part them come from a curve that is a model as
# well. A compromise: at 1 the fit is surer of a cause than its curve allows, at 0 it never names one.
BETWEEN = 0.5
# Of what readings are worth: neighbours in time and charge share what disturbs them (engineering choice).
SHARED = 0.5
# How far a difference that a cause would make may be from what is seen besides: slow parts of the drop and of the
# curve's branches differ from group to group (engineering choice).
LIKENESS = 0.2
# Beyond its knees a curve's steepness is hardly known: there sound groups may stand apart by more, and a cause may
# make any difference of its sign (engineering choices).
STEEPER, UNLIKE = 4.0, 0.7
# Below an empty group's knee the curve is not known: such a reading says "so far at least" (engineering choices).
FAR_V, FAR_SE = 0.12, 0.04
# Chance of each cause for one group before anything is seen (engineering choice, no fleet was counted: 2 % in all, so
# that one pack of 12 groups in five has a bad one; half of these groups have only drifted away).


class Why(StrEnum):
    CHARGE = "charge"
    CAPACITY = "capacity"
    LEAK = "leak"


PRIOR = {Why.CHARGE: 0.01, Why.CAPACITY: 0.005, Why.LEAK: 0.005}


@dataclass(frozen=True, slots=True)
class OpenCircuitCurve:
    """Open-circuit voltage at NODES: mean (m,) and covariance (m, m), V. alike (groups, 4): how far the siblings of
    each group differ in reading, drop, charge and capacity, over what sound groups may; None: as far as they may."""

    mean: Floats
    cov: Floats
    alike: Floats | None = None


@dataclass(frozen=True, slots=True)
class Moments:
    """z (n,) charge of the median group, 0 to 1; away (n, groups) V above it and se its error; drop (n, groups) V by
    which its resistance may have moved a group; days (n,) since the first; knee (n,): whether the median group stood
    beyond a knee of its curve; bled (n, groups): charge that balancing has taken from a group since the first, beyond
    what it took from the median group, shares."""

    z: Floats
    away: Floats
    se: Floats
    drop: Floats
    days: Floats
    knee: Bools
    bled: Floats


@dataclass(frozen=True, slots=True)
class Weighed:
    """What became of one group. chance: of each cause and, under "", of none. size, se: of the likeliest cause, in
    shares (a leak: a day); since: days at which it began. stands, stands_se: by how much charge it was off at most, in
    shares, whatever the cause."""

    chance: dict[str, float]
    cause: Why
    size: float
    se: float
    since: float
    stands: float
    stands_se: float


def learn(prior_v: Floats, z: Floats, volts: Floats, se: Floats, session: Integers, common: Floats) -> OpenCircuitCurve:
    """The curve given readings of the median group. prior_v: table at NODES. se (n,): own error, V; common (n,): what
    all readings of a session share, V."""
    shape = np.interp(NODES, SHAPE_AT, SHAPE_MV) / 1000.0
    apart = NODES[:, None] - NODES
    near = sum(part * np.exp(-0.5 * (apart / width) ** 2) for width, part in zip(WIDTHS, SHARES, strict=True))
    prior = LEVEL_V**2 + shape[:, None] * shape * near
    if not z.size:
        return OpenCircuitCurve(prior_v, prior)
    to = weights(z)
    away = z - z.mean()
    shared = (session[:, None] == session) * (common[:, None] * common + TILT_V**2 * np.outer(away, away))
    noise = shared + np.diag(se**2)
    gain = np.linalg.solve(to @ prior @ to.T + noise, to @ prior).T
    mean = prior_v + gain @ (volts - to @ prior_v)
    return OpenCircuitCurve(np.maximum.accumulate(mean), prior - gain @ to @ prior)  # an open-circuit curve never falls


def weights(z: Floats) -> Floats:
    """Rows that interpolate between NODES, (n, m)."""
    k, part = _place(z)
    out = np.zeros((z.size, NODES.size))
    rows = np.arange(z.size)
    out[rows, k] = 1.0 - part
    out[rows, k + 1] = part
    return out


def _place(z: Floats) -> tuple[Integers, Floats]:
    """The node below, and how far on to the next one."""
    at = np.clip((z - NODES[0]) / (NODES[1] - NODES[0]), 0.0, NODES.size - 1.001)
    k = at.astype(int)
    return k, at - k


def weigh(curve: OpenCircuitCurve, m: Moments, group: int) -> Weighed:
    """The causes weighed for one group."""
    cases = _cases(m, group)
    shifts = np.stack([c.shift for c in cases])
    loglik = _likelihood(curve, m, shifts, group)
    names = np.array([c.cause for c in cases])
    none = loglik[names == ""][0]
    evidence: dict[str, float] = {"": float(np.log(1.0 - sum(PRIOR.values()))) + none}
    weight = np.array([c.weight for c in cases])
    for cause in _possible(names):
        mine, w = loglik[names == cause], weight[names == cause]
        evidence[cause] = float(np.log(PRIOR[cause]) + mine.max() + np.log(w @ np.exp(mine - mine.max()) / w.sum()))
    chance = _chances(evidence)
    best = max(_possible(names), key=lambda c: chance[c])
    shares = {}
    for cause in _possible(names):
        at = np.flatnonzero(names == cause)
        shares[cause] = _shares(_at_held_error(curve, m, shifts[at], group, weight[at], loglik[at]), weight[at])
    at, share = np.flatnonzero(names == best), shares[best]
    sizes = np.array([cases[k].size for k in at])
    size = float(share @ sizes)
    # The grid's own step counts as well, and what one group does otherwise it does in all of its readings
    more = 0.1**2 + LIKENESS**2
    se = float(np.sqrt(share @ (sizes - size) ** 2 + more * size**2))
    wrong = sum(chance[c] for c in shares)
    likely = np.concatenate([(chance[c] / wrong) * shares[c] for c in shares])
    could = np.concatenate([shifts[names == c] for c in shares])
    shift = likely @ could
    most = int(np.abs(shift).argmax())
    stands = float(shift[most])
    return Weighed(
        chance,
        best,
        size,
        se=se,
        since=cases[at[int(share.argmax())]].since,
        stands=stands,
        stands_se=float(np.sqrt(likely @ (could[:, most] - stands) ** 2 + more * stands**2)),
    )


def _shares(loglik: Floats, weight: Floats) -> Floats:
    share = weight * np.exp(loglik - loglik.max())
    return np.asarray(share / share.sum())


def _at_held_error(
    curve: OpenCircuitCurve, m: Moments, shifts: Floats, group: int, weight: Floats, loglik: Floats
) -> Floats:
    """Log likelihoods (cases,) of one cause for reading its size, with the error of the likeliest of them for all.

    What a case leaves open grows with what it expects, and a small error is a likelier one: left free, readings of
    which a share k is open pull a size down to 1/x of itself, x (x - 1) = k k, a quarter beyond a knee. Held, and found
    again at what it gives, the error pulls neither way (quasi-likelihood: R. W. M. Wedderburn, Biometrika 61 (1974)
    439)."""
    for _ in range(HELD_ROUNDS):
        held = int(np.argmin(np.abs(shifts - _shares(loglik, weight) @ shifts).sum(axis=1)))
        loglik = _likelihood(curve, m, shifts, group, held=shifts[held])
    return loglik


def _possible(names: Strings) -> list[Why]:
    """Causes that a record could show at all: all of one moment knows no leak."""
    return [cause for cause in Why if (names == cause).any()]


def _chances(evidence: dict[str, float]) -> dict[str, float]:
    """Of none and of each cause. That something is wrong is told by the readings, which of the causes by the shape of
    a curve that is a model as well: evidence between causes counts for BETWEEN of itself."""
    told = {c: evidence.get(c, -np.inf) for c in Why}
    top = max(told.values())
    split = {c: float(np.exp(BETWEEN * (told[c] - top))) for c in Why}
    wrong = top + float(np.log(sum(np.exp(e - top) for e in told.values())))
    none = float(1.0 / (1.0 + np.exp(min(wrong - evidence[""], 700.0))))
    return {"": none, **{c: (1.0 - none) * split[c] / sum(split.values()) for c in Why}}


@dataclass(frozen=True, slots=True)
class _Case:
    cause: str
    size: float
    since: float
    shift: Floats
    weight: float = 1.0


HELD_ROUNDS = 4  # it settles in two or three (engineering choice)
GROWS = 0.1  # how much rarer a capacity is that goes within weeks than one that is low (engineering choice)
CHARGES = (-0.30, -0.24, -0.19, -0.15, -0.12, -0.095, -0.075, -0.06, -0.047, -0.037)
CAPACITIES = (0.06, 0.075, 0.095, 0.12, 0.15, 0.18, 0.22, 0.27, 0.33)
LEAKS = (0.001, 0.0015, 0.0022, 0.0032, 0.0045, 0.006, 0.008, 0.011, 0.015, 0.021)
STOOD = (0.0, -0.03, -0.07, -0.12)  # where a leak of old may have brought its group before the record begins
# At which charge a group of little capacity is level with its siblings, and how likely: at full where packs balance
# there; lower where they never get there, or where the report, from which the charge is taken, reads low (engineering
# choices).
LEVEL_AT, LIKELY = (1.0, 0.9, 0.8), (0.5, 0.3, 0.2)
MOST_ONSETS = 24
FEW_ONSETS, FEW_SIZES = 3, 3  # of a quick look: so many onsets, every third size


def _cases(m: Moments, group: int, most_onsets: int = MOST_ONSETS, every: int = 1) -> list[_Case]:
    """Nothing, and every cause by size and onset; an onset lies before a session. every: of the sizes.

    A group that leaks falls behind, its siblings are bled to meet it, and it stands level all the same: what balancing
    has taken since the onset is part of where it stands."""
    times = np.unique(m.days)
    onsets = times[np.unique(np.linspace(0, times.size - 1, min(most_onsets, times.size)).astype(int))]
    out = [_Case("", 0.0, 0.0, np.zeros(m.z.size))]
    both = (*CHARGES, *(-x for x in CHARGES))
    for onset in onsets:
        on = m.days >= onset
        met = np.where(on, m.bled[np.argmax(on), group] - m.bled[:, group], 0.0)
        first = float(times.size) if onset == times[0] else 1.0  # there from the first day, or begun since: as likely
        out += [_Case(Why.CHARGE, a, onset, np.where(on, a, 0.0) + met, first) for a in both[::every]]
        length = max(times[-1] - onset, 1e-9)
        for b in CAPACITIES[::every]:
            for level, share in zip(LEVEL_AT, LIKELY, strict=True) if every == 1 else ((1.0, 1.0),):
                whole = -b / (1.0 - b) * (level - m.z)
                out.append(_Case(Why.CAPACITY, b, onset, np.where(on, whole, 0.0), first * share))
                if onset < times[-1]:
                    grown = whole * np.clip((m.days - onset) / length, 0.0, 1.0)
                    out.append(_Case(Why.CAPACITY, b, onset, grown, weight=GROWS * share))
        for rate in LEAKS[::every]:
            if onset < times[-1]:
                sunk = met - rate * np.clip(m.days - onset, 0.0, None)
                stood = STOOD if onset == times[0] else (0.0,)
                out += [_Case(Why.LEAK, rate, onset, sunk + a, first / len(stood)) for a in stood]
    return out


def standing_apart(curve: OpenCircuitCurve, m: Moments, groups: Sequence[int]) -> list[int]:
    """Those of the groups that are worth weighing: a quick look at a few sizes and onsets of every cause, for groups
    that read alike at once, each held to be as near to its siblings as the nearest of them.

    Not a sum of squares over all readings: what a fault moves is a direction among them, and the more readings there
    are, the less of it such a sum shows."""
    if not groups:
        return []
    table = _table(curve)
    found = []
    for alike in _read_alike(m, groups):
        shifts = np.stack([c.shift for c in _cases(m, alike[0], FEW_ONSETS, FEW_SIZES)])
        closest = None if curve.alike is None else curve.alike[alike].min(axis=0)
        loglik = _of_groups(table, m, _differs(table, m, shifts), alike, closest)
        found += [group for group, some in zip(alike, loglik, strict=True) if some.max() - some[0] > SEEN]
    return sorted(found)


def _read_alike(m: Moments, groups: Sequence[int]) -> list[list[int]]:
    """The groups in lots of which all readings are worth the same: mostly one lot of all sound ones."""
    lots: dict[bytes, list[int]] = {}
    for group in groups:
        worth = m.se[:, group], m.drop[:, group], m.bled[:, group], np.abs(m.away[:, group]) > FAR_V
        lots.setdefault(b"".join(column.tobytes() for column in worth), []).append(group)
    return list(lots.values())


def sound_parts(mean: Floats, m: Moments, group: int, alike: Floats | None = None) -> tuple[Floats, Floats]:
    """What a sound group shows by a curve (m,) over NODES: each reading's own variance (n,), and what its readings
    share: wiring, drop, charge and capacity, a column each (n, 4). alike (4,): how much of these the string keeps to,
    one share for each column."""
    slope = (weights(m.z + 0.01) - weights(m.z - 0.01)) @ mean / 0.02
    slope = np.where(m.knee, STEEPER, 1.0) * slope
    drop = m.drop[:, group]
    own = np.maximum(m.se[:, group], LEAST_V) ** 2 / SHARED + (UNEVEN * drop) ** 2
    wiring = np.full(m.z.size, TAP_V)
    sides = np.column_stack([wiring, drop, SOUND_CHARGE * slope, SOUND_CAPACITY * slope * (1.0 - m.z)])
    return own, sides if alike is None else sides * alike


def _likelihood(curve: OpenCircuitCurve, m: Moments, shifts: Floats, group: int, held: Floats | None = None) -> Floats:
    """Log likelihood of each row of shifts, (cases,). held (n,): the shift whose errors all are given; else each its
    own."""
    table = _table(curve)
    errors = None if held is None else _differs(table, m, held[None])
    batches = [shifts[first : first + BATCH] for first in range(0, len(shifts), BATCH)]
    alike = None if curve.alike is None else curve.alike[group]
    return np.concatenate([_of_groups(table, m, _differs(table, m, s), [group], alike, errors)[0] for s in batches])


def _table(curve: OpenCircuitCurve) -> Floats:
    """Over NODES: the curve, and the directions in which it is not known, (m, 1 + k)."""
    return np.column_stack([curve.mean, _directions(curve.cov)])


def _differs(table: Floats, m: Moments, shifts: Floats) -> Floats:
    """What shifts change in the columns of the table, (cases, n, 1 + k)."""
    return _between_nodes(table, m.z + shifts) - weights(m.z) @ table


def _of_groups(
    table: Floats,
    m: Moments,
    differs: Floats,
    groups: Sequence[int],
    alike: Floats | None,
    held: Floats | None = None,
) -> Floats:
    """Log likelihood of each case of differs for groups that read alike, (groups, cases). alike (4,): as in
    sound_parts. held: of the one case whose errors all are given.

    The covariance of a case is a diagonal and some thirty directions: the curve's, and what sound groups differ by. So
    its inverse and determinant come from matrices of that size (M. Woodbury, Inverting modified matrices, 1950), for
    many cases at once. What is left of each group stands beside them as one direction more: its row of the root is
    then what they explain of it, without another solution."""
    away = m.away[:, groups]
    diagonal, fixed = sound_parts(table[:, 0], m, groups[0], alike)
    expected = np.clip(differs[..., 0], -FAR_V, FAR_V)
    errors = differs if held is None else np.broadcast_to(held, differs.shape)
    far = np.abs(errors[..., 0]) > FAR_V
    moved = np.clip(errors[..., 0], -FAR_V, FAR_V)
    likeness = np.where(m.knee, UNLIKE, LIKENESS)
    own = np.where(far | (np.abs(away[:, 0]) > FAR_V), FAR_SE, likeness * moved)
    root = 1.0 / np.sqrt(diagonal + own**2)
    left = (np.clip(away, -FAR_V, FAR_V) - expected[..., None]) * root[..., None]
    bent, known = errors.shape[2] - 1, errors.shape[2] - 1 + fixed.shape[1]
    sides = np.empty((*differs.shape[:2], known + len(groups)))
    np.multiply(errors[..., 1:], (root * ~far)[..., None], out=sides[..., :bent])
    np.multiply(fixed, root[..., None], out=sides[..., bent:known])
    sides[..., known:] = left
    lower = np.linalg.cholesky(np.eye(sides.shape[2]) + np.swapaxes(sides, 1, 2) @ sides)
    explained = (lower[:, known:, :known] ** 2).sum(axis=2)
    logdet = np.log(np.diagonal(lower, axis1=1, axis2=2)[:, :known]).sum(axis=1) - np.log(root).sum(axis=1)
    return np.asarray((-0.5 * ((left**2).sum(axis=1) - explained) - logdet[:, None]).T)


BATCH = 64  # cases at once, so that they fit the processor's cache
LEAST_PART = 1e-7  # of the largest: directions of a curve that matter less are left out


def _between_nodes(table: Floats, z: Floats) -> Floats:
    """Columns of a table (m, k) over NODES at any charges: (..., k)."""
    k, part = _place(z)
    return np.asarray(table[k] + part[..., None] * np.diff(table, axis=0)[k])


def _directions(cov: Floats) -> Floats:
    """Columns (m, k) whose outer products sum to cov."""
    size, axis = np.linalg.eigh(cov)
    kept = size > LEAST_PART * max(float(size[-1]), 1e-30)
    return np.asarray(axis[:, kept] * np.sqrt(size[kept]))
