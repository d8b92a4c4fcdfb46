"""Whether charges end at one and the same reported charge, short of full, with the current still flowing.

A rider pulls the plug whenever he leaves: such ends scatter. Ends that lie within the report's own step of each other,
charge after charge, were made by a device: a charger or a battery monitor that stops there, or a limit that was set.
No charger has to speak on the bus for that. Charges that nobody recorded count as well: where a session begins with
more than the one before it ended with, the vehicle was charged to there, or further and then ridden.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from herdbook.pipeline.arrays import Bools
from herdbook.pipeline.health.reading import event_table, metric_rows
from herdbook.pipeline.health.rule import Record, Window
from herdbook.pipeline.metrics.charge import AT_LIMIT_V
from herdbook.pipeline.science.binomial import tail
from herdbook.pipeline.times import column_micros

FULL_PCT = 95.0  # from here on a charge is as good as full (engineering choice)
SAME_PCT = 1.0  # a report in whole per cent reads either side of one charge
# Of all charges that ended with current flowing there or before that place, so many must have ended there (engineering
# choice).
LEAST_SHARE = 0.75
MOST_CHANCE = 0.2  # that they ended by hand: a note is right four times of five at least (engineering choice)
# For each vehicle whose charges a device ends short there are so many whose riders pull the plug at any charge: a
# coincidence of one in twenty is found among them as often as a device. Nobody counted them (engineering choice, made
# after sound vehicles of the open designs had been told with 0.96).
RIDERS = 20.0
FLOWS_C = 0.1  # a charge that is nearly full has tapered below (engineering choice)
# Plugged out by hand, ends lie anywhere over so much of the charge (engineering choice: who charges to about four
# fifths ends between 75 and 85 %).
BY_HAND_PCT = 10.0
AT_ONCE_S = 180.0  # as the rule has it for what the charger says after (engineering choice)
AFTER_S = 900.0  # the next session begins so soon: what it reports first is how the charge ended
# The same where some of them nobody recorded: the lowest of such ends are passed over, and every herd has vehicles that
# are seldom recorded (engineering choice).
UNSEEN_CHANCE = 0.01
RISE_PCT = 3.0  # between two sessions: more than a report that is set right by a rest (engineering choice)


@dataclass(frozen=True, slots=True)
class Ceiling:
    """pct: where the charges end; spread: between the highest and the lowest; charges: how many in a row, up to the
    newest; chance: that they ended by hand; before: charges before them that ended above; unseen:
    how many of the charges nobody recorded."""

    pct: float
    spread: float
    charges: int
    chance: float
    before: int
    windows: tuple[Window, ...]
    unseen: int = 0


def ceiling(record: Record, days: float) -> Ceiling | None:
    """The newest charges of the last so many days that ended alike; None where fewer than two did."""
    ends = _ends(record, days)
    if not ends.height:
        return None
    return _in_a_row(record, ends) or _with_unseen(record, ends, days)


def _in_a_row(record: Record, ends: pl.DataFrame) -> Ceiling | None:
    """By recorded charges alone."""
    if ends.height < 2:
        return None
    pct = ends["pct"].to_numpy()
    early = (pct < FULL_PCT) & ends["flows"].to_numpy()
    alike = 0
    for k in range(1, pct.size + 1):
        newest = pct[-k:]
        if not early[-k:].all() or np.ptp(newest) > SAME_PCT:
            break
        alike = k
    if alike < 2:
        return None
    newest = pct[-alike:]
    spread = float(np.ptp(newest))
    by_hand = int((early[:-alike] & (pct[:-alike] < newest.min())).sum())
    chance = _chance_by_hand(_by_hand(max(spread, _step(record)), alike), alike, early[:-alike])
    if alike < LEAST_SHARE * (alike + by_hand) or chance > MOST_CHANCE:
        return None
    starts, stops = column_micros(ends["start_t"])[-alike:], column_micros(ends["end_t"])[-alike:]
    return Ceiling(
        pct=float(np.median(newest)),
        spread=spread,
        charges=alike,
        chance=chance,
        before=int((pct[:-alike] > newest.max() + SAME_PCT).sum()),
        windows=tuple(Window(int(a), int(b)) for a, b in zip(starts[::-1][:10], stops[::-1][:10], strict=True)),
    )


def _with_unseen(record: Record, ends: pl.DataFrame, days: float) -> Ceiling | None:
    """By recorded charges and by those that only the next session's report tells of. Such a one may have been ridden
    down since, unseen: that it lies lower speaks for nothing, that it lies higher against a ceiling."""
    rows = pl.concat([ends.with_columns(seen=pl.lit(True)), _unseen(record, ends, days)], how="diagonal").sort("end_t")
    pct, seen, flows = (rows[c].to_numpy() for c in ("pct", "seen", "flows"))
    step, tops = _step(record), set[float]()
    best: Ceiling | None = None
    for k in range(2, pct.size + 1):
        newest, recorded = pct[-k:], seen[-k:]
        top = float(newest.max())
        at = newest >= top - SAME_PCT
        if top >= FULL_PCT or (recorded & ~flows[-k:]).any():
            break  # a charge that ran to its end says that there is no ceiling since
        tops.add(top)
        many = int(at.sum())
        both = int((recorded & at).sum())  # charges of both kinds must tell it: one recorded, and one more
        by_hand = int((seen & (pct < top - SAME_PCT)).sum())
        if not 0 < both < many or both < LEAST_SHARE * (both + by_hand):
            continue
        spread = float(np.ptp(newest[at]))
        chance = _highest_alike(max(spread, step), many, k) * len(tops)
        if chance > UNSEEN_CHANCE:
            continue
        chance = _chance_by_hand(chance, both, (pct[:-k] < FULL_PCT)[seen[:-k]] & flows[:-k][seen[:-k]])
        if chance <= MOST_CHANCE and (best is None or chance < best.chance):
            used = rows[-k:].filter(pl.Series(at))
            starts, stops = column_micros(used["start_t"]), column_micros(used["end_t"])
            best = Ceiling(
                pct=float(np.median(newest[at])),
                spread=spread,
                charges=many,
                chance=chance,
                before=int((pct[:-k] > top + SAME_PCT).sum()),
                windows=tuple(Window(int(a), int(b)) for a, b in zip(starts[::-1][:10], stops[::-1][:10], strict=True)),
                unseen=int((at & ~recorded).sum()),
            )
    return best


def _chance_by_hand(coincidence: float, n: int, earlier: Bools) -> float:
    """Chance that they ended by hand: how often n such ends would lie so closely together, times how many riders pull
    the plug, times how likely this one did so n times after `earlier` charges (whether each ended early): the rule of
    succession, (early + 1) / (all + 2), once more for each."""
    early, all_of = int(earlier.sum()), earlier.size
    again = float(np.prod([(early + 1 + i) / (all_of + 2 + i) for i in range(n)]))
    odds = RIDERS * coincidence * again
    return odds / (1.0 + odds)


def _highest_alike(spread: float, n: int, of: int) -> float:
    """Chance that n of so many ends by hand, each anywhere over BY_HAND_PCT, lie within `spread` of the highest: any
    may be the highest, and below it the others lie anywhere."""
    return min(1.0, of * tail(n - 1, of - 1, min(spread / BY_HAND_PCT, 1.0)))


def _unseen(record: Record, ends: pl.DataFrame, days: float) -> pl.DataFrame:
    """One row a charge that no session shows: where a ride or a rest begins with more than the session before it ended
    with. start_t, end_t: of the session that tells it."""
    said = [
        metric_rows(record, f"pack_soc_{side}_pct").select("start_t", pl.col("value").alias(side)).unique("start_t")
        for side in ("start", "end")
    ]
    rows = record.sessions.select("start_t", "end_t", "kind").join(said[0], on="start_t").join(said[1], on="start_t")
    rows = rows.sort("start_t").with_columns(rise=pl.col("start") - pl.col("end").shift(1))
    told = ends["end_t"]
    rows = rows.filter(pl.col("rise") > RISE_PCT, pl.col("kind") != "charge").filter(
        pl.col("start_t") >= told.max() - pl.duration(days=days),
        ~pl.col("start_t").is_in(_right_after(record, told).implode()),
    )
    return rows.select("start_t", "end_t", pct="start", flows=pl.lit(True), seen=pl.lit(False))


def _right_after(record: Record, told: pl.Series) -> pl.Series:
    """Starts of sessions that only repeat how a recorded charge ended."""
    after = record.sessions.select("start_t").sort("start_t")
    ends = pl.DataFrame({"told": told}).sort("told")
    joined = after.join_asof(ends, left_on="start_t", right_on="told", strategy="backward", tolerance=f"{AFTER_S:.0f}s")
    return joined.filter(pl.col("told").is_not_null())["start_t"]


def _step(record: Record) -> float:
    """Resolution of the report, in %."""
    said = [metric_rows(record, f"pack_soc_{side}_pct")["value"].to_numpy() for side in ("start", "end")]
    gaps = np.diff(np.unique(np.round(np.concatenate(said), 2)))
    return float(min(gaps.min(), SAME_PCT)) if gaps.size else SAME_PCT


def _by_hand(spread: float, n: int) -> float:
    """Chance that n ends, each anywhere over BY_HAND_PCT, lie within `spread`: the law of the range of a uniform
    sample, n r^(n-1) - (n-1) r^n (H. A. David, H. N. Nagaraja, Order Statistics, 2003, chapter 2)."""
    r = min(spread / BY_HAND_PCT, 1.0)
    return float(n * r ** (n - 1) - (n - 1) * r**n)


def _seen_to_end(record: Record, rows: pl.DataFrame) -> pl.Series:
    """Ends of charges after which the record goes on at once, without a charge: there the current has ended, though the
    session of the charge ends with it."""
    after = record.sessions.select(begins="start_t", next="kind").sort("begins")
    joined = (
        rows.select("end_t")
        .sort("end_t")
        .join_asof(after, left_on="end_t", right_on="begins", strategy="forward", tolerance=f"{AT_ONCE_S:.0f}s")
    )
    return joined.filter(pl.col("next").is_not_null(), pl.col("next") != "charge")["end_t"]


def _ends(record: Record, days: float) -> pl.DataFrame:
    """One row a charge, in order of time: start_t, end_t, pct it reported at its end, and whether current still flowed
    then with no group ahead at its limit."""
    rated = record.profile.pack_figures.rated_ah
    keys = "end_a", "end_highest_v"
    ends = event_table(record, "charge", keys).select("session_start_t", "start_t", "end_t", "item", *keys)
    top = record.profile.pack_figures.cell_max_v
    at_limit = pl.lit(False) if top is None else (pl.col("end_highest_v") > top - AT_LIMIT_V).fill_null(value=False)
    highest = metric_rows(record, "pack_soc_highest_pct").select(
        pl.col("start_t").alias("session_start_t"), pl.col("value").alias("inside")
    )
    rows = ends.join(highest, on="session_start_t", how="inner").sort("end_t")
    after = metric_rows(record, "pack_soc_start_pct").select(
        pl.col("start_t").alias("next_t"), pl.col("value").alias("after")
    )
    rows = rows.join_asof(
        after.sort("next_t"),
        left_on="end_t",
        right_on="next_t",
        strategy="forward",
        tolerance=f"{AFTER_S:.0f}s",
    )
    rows = rows.with_columns(
        pct=pl.max_horizontal("inside", "after"),
        flows=(pl.col("end_a").fill_null(0.0) > FLOWS_C * rated)
        & ~at_limit
        & pl.col("item").is_in(["unplugged", "stopped_short", "complete", "still_charging"]),
    ).filter((pl.col("item") != "still_charging") | pl.col("end_t").is_in(_seen_to_end(record, rows).implode()))
    if rows.height:
        rows = rows.filter(pl.col("start_t") >= pl.col("start_t").max() - pl.duration(days=days))
    return rows
