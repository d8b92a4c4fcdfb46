"""The groups of the string weighed against each other over the whole record: which holds less, and why.

Takes the pieces of all sessions (metrics/group_levels.py), places them on the charge axis by reported charge and
counted current, learns the curve from the median group, and weighs charge, capacity and leak for every group that
stands apart. A group that a measuring wire or its own balancing resistor explains is left out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl

from herdbook.pipeline.arrays import Bools, Floats, Integers
from herdbook.pipeline.health.newest_level import since_step
from herdbook.pipeline.health.pack.leak import bled_before
from herdbook.pipeline.health.pack.reported import places
from herdbook.pipeline.health.pack.see_saw import see_saws
from herdbook.pipeline.health.pooled import pooled
from herdbook.pipeline.health.reading import event_table, lately, metric_rows
from herdbook.pipeline.health.rule import Record, Window
from herdbook.pipeline.science.ocv import Ocv
from herdbook.pipeline.science.robust_fit import MAD_TO_SD
from herdbook.pipeline.science.string_alike import by_siblings
from herdbook.pipeline.science.string_fit import (
    NODES,
    Moments,
    OpenCircuitCurve,
    Weighed,
    Why,
    learn,
    standing_apart,
    weigh,
    weights,
)
from herdbook.pipeline.science.string_shows import would_show
from herdbook.pipeline.times import DAY, column_micros
from herdbook.pipeline.vehicle.chemistry import ocv_of

DAYS = 45.0
LEAST, MOST = 6, 150  # pieces; the newest are kept (engineering choices)
BIN = 0.03  # pieces of a session that lie so near in charge are one (engineering choice)
# Own error of a piece's median voltage and what all of its session share: what load and the curve's two branches leave
# in it; V (engineering choices). Differences between groups do not carry it.
KINDS = ("quiet", "load", "charge", "rest")
OWN_V, SHARED_V = (0.003, 0.008, 0.005, 0.003), (0.010, 0.030, 0.050, 0.015)
# Of that, while the branch turns: Dreyer et al., Nature Materials 9 (2010) 448, from memory; chosen while designs of
# demo_logs/makers were judged, whose cells turn within 0.02 to 0.09 of their charge.
TURN_V, TURN = 0.02, 0.04
# Without a report only the voltage tells the charge (share; engineering choice); with one: pack/reported.py
UNKNOWN = 0.15
# A place that vague is found by the voltage's shape instead: begins that are tried; where a pack may stand; what a
# session's curve may differ in shape from the type's, V; how well it has to be found (engineering choices).
VAGUE, STARTS, WITHIN, SHAPE_V = 0.10, np.arange(-0.04, 1.021, 0.01), (-0.03, 1.03), 0.008
PLACED = 0.08
DROP = 0.25, 0.5  # of a sound group's drop, left in a difference where load moved or did not (engineering choices)
# So far above the plateau a rested group is beyond its knee; so far above the median, a reading is a wire's; what a
# charge may lie above its curve with usual load taken out, by slow drop and branch (engineering choices).
RESTED_V, WIRE_V = 0.03, 0.4
CHARGED_V = 0.06
# How far under the plateau's end some knees begin (engineering choice); the error of what says nothing.
KNEE_V, NOTHING_V = 0.015, 5.0
LOW_Z, HIGH_Z = 0.10, 0.95  # beyond them the curve bends, wherever its knee is (engineering choice)
# Times the median group's resistance, a little short of where the rule on weak groups looks from; how far two rides of
# one group may differ, as there (engineering choices).
WEAK, RATIO = 1.25, 0.05
# Share of time its own resistor bleeds a group: then that is the cause (engineering choice).
IDLE = 0.25
LEVEL = 0.95  # chance that nothing is wrong, from which on the record speaks against who says so (engineering choice)
SOUND = 0.5  # chance that nothing is wrong, from which on a weighed group is one of the others (engineering choice)
BELOW_V, ABOVE_V = 0.09, 0.02  # V per 1 % beyond the ends of a table (engineering choices)


@dataclass(frozen=True, slots=True)
class StringFit:
    """groups: what was weighed, by item; those that stand among their siblings are not in it. looked: all items.
    see_saws: pairs of neighbours that are off equal and opposite, "4-5", with half their distance and its error in V.
    windows: the sessions behind it, newest first."""

    groups: dict[str, Weighed]
    looked: frozenset[str]
    windows: tuple[Window, ...]
    pieces: int
    days: float
    see_saws: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    curve: OpenCircuitCurve | None = None
    moments: Moments | None = None
    again: frozenset[str] = frozenset()  # groups of which every second session, and the others, tell the same
    # by how much groups stand that are not told and may well stand apart: nothing is refuted of them
    open: Mapping[str, float] = field(default_factory=dict)

    @property
    def depth(self) -> float:
        """How far apart in charge the fullest and the emptiest moment lie, as a share."""
        return 0.0 if self.moments is None else float(np.ptp(self.moments.z))

    def newest(self, days: float) -> StringFit:
        """The same with its newest moments alone: what would show a fault that has come since."""
        m = self.moments
        if m is None or not m.days.size:
            return self
        kept = m.days >= m.days.max() - days
        return replace(self, moments=Moments(*(getattr(m, name)[kept] for name in Moments.__slots__)))

    def could_show(self, cause: Why, size: float) -> bool:
        """Whether the record would have shown a fault of that size in a usual group; a leak's size is a day's."""
        return self.curve is not None and self.moments is not None and would_show(self.curve, self.moments, cause, size)


NONE = StringFit({}, frozenset(), (), 0, 0.0)
# The fit takes its table to be right within so much between the knees, and learns the rest; published curves of some
# chemistries lie further apart, and a table of that kind would be taken for a fault of a group (engineering choices).
TABLE_V, BETWEEN_PCT = 0.03, (20.0, 90.0)


def too_loose(record: Record) -> str:
    """Why the groups' charges cannot be weighed by the open-circuit table of this pack; "" when they can."""
    ocv = ocv_of(record.profile.pack)
    if ocv is None:
        return ""
    off = float(np.interp(np.linspace(*BETWEEN_PCT, 71), ocv.soc_pct, ocv.sd_v).max())
    if off <= TABLE_V:
        return ""
    named = record.profile.pack_figures.of_chemistry.name
    return (
        f"; the open-circuit curve of {named} is known within {1000 * off:.0f} mV only, too little to weigh groups "
        "between full and empty by it: name the pack's own curve in its profile"
    )


def string_fit(record: Record) -> StringFit:
    """Once for all rules."""
    return record.once("string fit", lambda: _fit(record))


def _fit(record: Record) -> StringFit:
    rows = lately(record, event_table(record, "group_levels"), DAYS)
    ocv = ocv_of(record.profile.pack)
    items = sorted((c[1:] for c in rows.columns if c[0] == "d" and c[1:].isdigit()), key=int)
    if ocv is None or rows.height < LEAST or len(items) < 4 or too_loose(record):
        return NONE
    low, top = record.profile.pack_figures.of_chemistry.plateau_v
    # Near full a per cent is a tenth of a volt, and nobody knows where: only the knee itself is read there (offsets.py)
    highest = pl.col("median_v") + pl.max_horizontal(*(pl.col(f"d{i}") for i in items)) / 1000.0
    near = pl.when(pl.col("item") == "charge").then(top + CHARGED_V).otherwise(top + RESTED_V)
    # A pack driven under its curve's end stands where a per cent is a tenth of a volt and more, each group by its own
    in_range = pl.col("median_v").is_between(float(ocv.middle_v[0]), near)
    rows = rows.drop_nulls([f"d{i}" for i in items]).filter(in_range)
    rows = rows.filter((highest < near) | ((highest - pl.col("median_v")) > WIRE_V)).sort("start_t")
    if rows.height < LEAST:
        return NONE
    pieces = _Pieces.of(record, rows, items).merged().newest(MOST)
    prior = _beyond(ocv)
    pieces = pieces.where(_placeable(prior, pieces))
    if pieces.days.size < LEAST:
        return NONE
    curve, z = _placed(prior, pieces)
    knee = (pieces.volts < low) | (z < LOW_Z) | (z > HIGH_Z)
    drops = _drops(record, pieces, items)
    bled = _bled(record, pieces, items, int(column_micros(rows["session_start_t"])[0]))
    moments = Moments(z, pieces.away, _errors(pieces, top), drops, days=pieces.days, knee=knee, bled=bled)
    curve = by_siblings(curve, moments)
    pairs = see_saws(pieces.away, items)
    wired = {item for pair in pairs for item in pair.split("-")}
    left_out = wired | _bleeding(record) | _weak(record)
    looked_at = [k for k, item in enumerate(items) if item not in left_out]
    weighed = {items[k]: weigh(curve, moments, k) for k in standing_apart(curve, moments, looked_at)}
    groups = {item: w for item, w in weighed.items() if w.chance[""] < SOUND}
    again = frozenset(
        i for i, w in groups.items() if _told_again(curve, moments, pieces.session // 2, items.index(i), w)
    )
    starts, ends = column_micros(rows["start_t"]), column_micros(rows["end_t"])
    windows = tuple(Window(int(a), int(b)) for a, b in zip(starts[::-1][:10], ends[::-1][:10], strict=True))
    span = float(pieces.days[-1] - pieces.days[0])
    return StringFit(
        groups,
        frozenset(set(items) - left_out),
        windows,
        pieces.days.size,
        span,
        pairs,
        curve=curve,
        moments=moments,
        again=again,
        open={item: w.stands for item, w in weighed.items() if SOUND <= w.chance[""] < LEVEL},
    )


def _told_again(curve: OpenCircuitCurve, m: Moments, session: Integers, group: int, whole: Weighed) -> bool:
    """Whether every second session alone makes it likelier than not that the group stands apart to the same side, and
    the others alone as well: what one odd session shows is not a group's."""
    _, number = np.unique(session, return_inverse=True)
    for half in (number % 2 == 0, number % 2 == 1):
        if not half.any():
            return False
        part = Moments(*(getattr(m, name)[half] for name in Moments.__slots__))
        said = weigh(curve, part, group)
        if said.chance[""] >= SOUND or said.stands * whole.stands <= 0:
            return False
    return True


def _errors(p: _Pieces, top: float) -> Floats:
    """Per group, (pieces, groups): a group that stands beyond the knee near full says nothing about its charge, since
    there a per cent is worth tens of millivolts, and nobody knows how many."""
    stands = p.volts[:, None] + p.away
    ends = np.where(p.kind == KINDS.index("charge"), top + CHARGED_V, top)[:, None] - KNEE_V
    return np.where((p.away > 0) & (stands > ends), NOTHING_V, p.error()[:, None])


@dataclass(frozen=True, slots=True)
class _Pieces:
    """One row a piece: z by report and count (NaN: no report) and its error, what has left since the session began,
    median volts, V away, errors V, current A, whether load moved, days, number of the session and kind, place in KINDS.
    """

    z: Floats
    loose: Floats
    run: Floats
    volts: Floats
    away: Floats
    se: Floats
    current: Floats
    moved: Floats
    days: Floats
    session: Integers
    kind: Integers

    @staticmethod
    def of(record: Record, rows: pl.DataFrame, items: Sequence[str]) -> _Pieces:
        rated = record.profile.pack_figures.rated_ah
        start = column_micros(rows["session_start_t"])
        own = np.cumsum(np.diff(start, prepend=start[0]) != 0)
        kind = np.array([KINDS.index(w) for w in rows["item"].to_list()])
        run = rows["run_ah"].to_numpy() / rated
        said = rows["soc_pct"].to_numpy() / 100.0 if "soc_pct" in rows.columns else np.full(rows.height, np.nan)
        place = places(record, start, said, run)
        z = np.array([place[int(k)].start for k in start]) - run
        loose = np.array([place[int(k)].se for k in start])
        return _Pieces(
            z=z,
            loose=np.where(np.isfinite(z), loose, UNKNOWN),
            run=run,
            volts=rows["median_v"].to_numpy(),
            away=rows.select([f"d{i}" for i in items]).to_numpy() / 1000.0,
            se=rows["se_mv"].to_numpy() / 1000.0,
            current=rows["current_a"].to_numpy(),
            moved=rows["load_known"].to_numpy(),
            days=(start - start[0]) / DAY,
            session=2 * own + (kind != KINDS.index("quiet")),
            kind=kind,
        )

    def own_v(self) -> Floats:
        """Error of each median voltage as a reading of the curve, V. Where current has begun to flow the voltage passes
        from one branch to the other, which looks like a slope of the curve."""
        flows = np.isin(self.kind, [KINDS.index(w) for w in ("load", "charge")])
        return np.asarray(np.hypot(np.array(OWN_V)[self.kind], flows * TURN_V * np.exp(-np.abs(self.run) / TURN)))

    def merged(self) -> _Pieces:
        """Pieces of one session and kind that lie within BIN of charge as one, weighed by their errors."""
        place = np.floor(np.where(np.isfinite(self.z), self.z, -self.run) / BIN).astype(int)
        keys = list(zip(self.session.tolist(), self.kind.tolist(), place.tolist(), strict=True))
        number = {key: n for n, key in enumerate(dict.fromkeys(keys))}
        of = np.array([number[key] for key in keys])
        weight = self.se**-2.0
        total = np.bincount(of, weight)

        def mean(x: Floats) -> Floats:
            return np.bincount(of, weight * x) / total

        first = np.unique(of, return_index=True)[1]
        away = np.column_stack([mean(column) for column in self.away.T])
        return _Pieces(
            mean(self.z),
            self.loose[first],
            run=mean(self.run),
            volts=mean(self.volts),
            away=away,
            se=np.asarray(total**-0.5, np.float64),
            current=mean(self.current),
            moved=self.moved[first],
            days=self.days[first],
            session=self.session[first],
            kind=self.kind[first],
        )

    def newest(self, most: int) -> _Pieces:
        return _Pieces(*(getattr(self, name)[-most:] for name in self.__slots__))

    def where(self, wanted: Bools) -> _Pieces:
        return _Pieces(*(getattr(self, name)[wanted] for name in self.__slots__))

    def error(self) -> Floats:
        """Own error, and how far siblings scatter about their usual places in that piece."""
        usual = self.away - np.median(self.away, axis=0)
        middle = np.median(usual, axis=1)[:, None]
        return np.hypot(self.se, MAD_TO_SD * np.median(np.abs(usual - middle), axis=1))


def _beyond(ocv: Ocv) -> Floats:
    """The table at NODES, carried on past its ends."""
    pct = 100.0 * NODES
    volts = np.interp(pct, ocv.soc_pct, ocv.middle_v)
    return np.asarray(volts + BELOW_V * np.minimum(pct, 0.0) + ABOVE_V * np.maximum(pct - 100.0, 0.0))


def _placed(prior: Floats, p: _Pieces) -> tuple[OpenCircuitCurve, Floats]:
    """The learned curve, and each piece's charge: as reported, moved by session as far as the voltage asks for it."""
    own, shared = p.own_v(), np.array(SHARED_V)[p.kind]
    vague = p.loose >= VAGUE
    z = np.clip(np.where(vague, 0.5, p.z), NODES[2], NODES[-3])
    start = z.copy()
    z = _by_voltage(prior, p, vague, own, shared, z)
    curve = learn(prior, z, p.volts, own, p.session, shared)
    for _ in range(2):
        here = weights(z) @ curve.mean
        slope = (weights(z + 0.01) - weights(z - 0.01)) @ curve.mean / 0.02
        for k in np.unique(p.session[~vague]):
            mine = p.session == k
            g, sd = float(slope[mine].mean()), float(p.loose[mine][0])
            variance = float(shared[mine][0] ** 2 + own[mine][0] ** 2 / mine.sum())
            pull = sd**2 * g / (sd**2 * g**2 + variance) * float((p.volts - here)[mine].mean())
            moved = start[mine] + np.clip(z[mine] - start[mine] + pull, -3.0 * sd, 3.0 * sd)
            z[mine] = np.clip(moved, NODES[2], NODES[-3])
        z = _by_voltage(curve.mean, p, vague, own, shared, z)
        curve = learn(prior, z, p.volts, own, p.session, shared)
    return curve, z


def _by_voltage(curve: Floats, p: _Pieces, vague: Bools, own: Floats, shared: Floats, z: Floats) -> Floats:
    """Sessions whose charge no report tells, moved along the curve as a whole until their voltages fit its shape."""
    out = z.copy()
    for k in np.unique(p.session[vague] // 2):
        mine = (p.session // 2 == k) & vague
        cost = _misfit(curve, p, mine, own, shared)
        out[mine] = STARTS[int(cost.argmin())] - p.run[mine]
    return np.clip(out, NODES[2], NODES[-3])


def _placeable(curve: Floats, p: _Pieces) -> Bools:
    """Pieces whose charge is known: by report, or by a session long enough that its shape tells where it stood."""
    own, shared = p.own_v(), np.array(SHARED_V)[p.kind]
    vague = p.loose >= VAGUE
    out = ~vague
    for k in np.unique(p.session[vague] // 2):
        mine = (p.session // 2 == k) & vague
        cost = _misfit(curve, p, mine, own, shared)
        weight = np.exp(-0.5 * (cost - cost.min()))
        weight /= weight.sum()
        out[mine] = np.sqrt(weight @ (STARTS - weight @ STARTS) ** 2) < PLACED
    return out


def _misfit(curve: Floats, p: _Pieces, mine: Bools, own: Floats, shared: Floats) -> Floats:
    """Twice the negative log likelihood of each of STARTS for a session. Within it the count holds; what all of its
    readings share is free within its error."""
    at = STARTS[:, None] - p.run[mine]
    left = p.volts[mine] - np.interp(at, NODES, curve)
    weight = 1.0 / (own[mine] ** 2 + SHAPE_V**2)
    free = float(shared[mine].min()) ** -2.0
    cost = left**2 @ weight - (left @ weight) ** 2 / (weight.sum() + free)
    cost += (((at - np.clip(at, *WITHIN)) / 0.01) ** 2).sum(axis=1)
    hint, loose = float((p.z + p.run)[mine][0]), float(p.loose[mine][0])
    return np.asarray(cost + ((STARTS - hint) / loose) ** 2 if np.isfinite(hint) else cost)


def _drops(record: Record, p: _Pieces, items: Sequence[str]) -> Floats:
    """What a group's own resistance may have left in its differences, (pieces, groups) V."""
    ohm = record.profile.pack_figures.cell_r10s_mohm / 1000.0
    ratios = pooled(record, "cell_r_ratio", last_days=DAYS)
    usual = np.where(p.moved > 0.5, *DROP)
    more = np.array([abs(ratios[i].value - 1.0) if i in ratios else 0.0 for i in items])
    return np.asarray(p.current[:, None] * ohm * np.maximum(usual[:, None], more))


def _bled(record: Record, p: _Pieces, items: Sequence[str], first: int) -> Floats:
    """What balancing took from each group beyond the median group before each piece's session, as far as it was
    recorded; shares, (pieces, groups). first: when days were nought, us."""
    rows = metric_rows(record, "cell_bled_ah").sort("start_t")
    before = first + np.round(p.days * DAY).astype(np.int64)
    taken = np.column_stack([bled_before(i, rows, before) for i in items])
    return np.asarray((taken - taken[:1]) / record.profile.pack_figures.rated_ah)


def _weak(record: Record) -> set[str]:
    """Groups of high resistance: their slow drop cannot be told from charge."""
    ratios = pooled(record, "cell_r_ratio", last_days=DAYS)
    return {item for item, p in ratios.items() if max(p.value, since_step(p, RATIO).value) > WEAK}


def _bleeding(record: Record) -> set[str]:
    idle = pooled(record, "cell_bleed_idle_share", last_days=DAYS, kinds=("ride", "rest", "bench"))
    return {item for item, p in idle.items() if p.values.size and p.values.max() > IDLE}
