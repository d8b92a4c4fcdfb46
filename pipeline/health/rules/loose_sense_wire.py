"""A measuring wire with a bad contact: two neighbouring groups move opposite and equal.

Physics: tap k between two groups is read through one wire. What its contact drops is added to one group and
taken from the other; the pair's sum, and the pack's, stay right. No cell does that.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import only_by
from herdbook.pipeline.health.pack.string import StringFit, string_fit
from herdbook.pipeline.health.pooled import Pooled, pooled
from herdbook.pipeline.health.reading import Pieces, having, metric_rows, only, recent, seconds, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule, Window
from herdbook.pipeline.health.rules._lone_wire import COMMON, CORRELATION, ELSEWHERE, OPPOSITE, LoneWire, lone_wires
from herdbook.pipeline.health.rules._sense_wire import unread
from herdbook.pipeline.health.sentences import counted
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import confidence
from herdbook.pipeline.row_order import in_order
from herdbook.pipeline.vehicle.record import Event, Metric

LIMITS = (
    Limit("opposite", 8.0, "mV", "engineering choice: above the noise of usual cell monitors, 2 to 5 mV"),
    Limit("correlation", -0.7, "1", "engineering choice: most of both neighbours' movement is shared, opposite"),
    Limit("over_common", 3.0, "times", "engineering choice: noise alone gives 1"),
    Limit("over_others", 3.0, "times the median pair", "engineering choice"),
    Limit("elsewhere", 0.5, "1", "engineering choice: what other groups follow is the pack's doing, not a wire's"),
    Limit("z", 4.0, "standard errors", "engineering choice: under 1 in 30,000 by chance"),
    Limit("agreement", 0.3, "share", "engineering choice: a loose contact comes and goes"),
    Limit("alone", 0.5, "share", "engineering choice: of the sessions since, when only one shows it"),
    Limit("days", 21.0, "days", "engineering choice: the newest stretch that is judged together"),
    Limit("steady", 15.0, "mV", "engineering choice: a constant see-saw past usual monitor errors of 5 mV"),
)


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    table = _table(record, limits)
    sessions = table["start_t"].n_unique()
    fit = string_fit(record)
    if not sessions and not fit.pieces:
        return NotAssessed("no session had enough readings of neighbouring groups at steady current")
    found = []
    pairs = Pieces(table, "item")
    for item in pairs.places:
        part = pairs.of(item)
        shown = only(part, part["shown"].to_numpy())
        if not shown.height:
            continue
        part = part.filter(pl.col("start_t") >= shown["start_t"].min())  # what came before it began says nothing
        # A contact that shakes shows in rides and may rest at rest: the share is taken within each kind of session.
        share = float(part.group_by("kind").agg(pl.col("shown").mean())["shown"].to_numpy().max())
        if share >= limits["agreement" if shown.height > 1 else "alone"]:
            found.append(_moving(item, shown, share, limits))
    moving = {f.item for f in found}
    found += [f for f in _see_saws(record, limits) if f.item not in moving]
    found += [_beside_unread(w, limits) for w in lone_wires(table, unread(record), limits) if w.cells not in moving]
    return found + _at_any_charge(record, fit, {f.item for f in found}, limits)


def _beside_unread(w: LoneWire, limits: Mapping[str, float]) -> Finding:
    return _finding(
        item=w.pair,
        size=w.size,
        se=w.se,
        limit=limits["opposite"],
        share=w.share,
        count=w.sessions.height,
        text=f"Group {w.group} moves alone with a standard deviation of {w.size:.0f} mV at steady load, in "
        f"{counted(w.sessions.height, 'session')}, beside group {w.silent}, whose wire has no contact: most likely the "
        "wire between them as well, not the cells.",
        spans=windows(w.sessions, OPPOSITE),
        duration_s=seconds(w.sessions),
    )


def _at_any_charge(record: Record, fit: StringFit, said: set[str], limits: Mapping[str, float]) -> list[Finding]:
    """The same from moments of all sessions, where no session alone had readings enough."""
    out = []
    for pair, (volts, error) in fit.see_saws.items():
        size, se = 1000 * volts, 1000 * error
        lower, upper = pair.split("-")
        if f"cells {pair}" in said or {lower, upper} & unread(record) or size - limits["steady"] < limits["z"] * se:
            continue
        text = (
            f"Groups {lower} and {upper} stand {size:.0f} mV off their siblings, one up and one down, at any load and "
            f"charge ({fit.pieces} moments over {fit.days:.0f} days): the wire between them, not the cells."
        )
        out.append(
            _finding(
                item=pair,
                size=size,
                se=se,
                limit=limits["steady"],
                share=1.0,
                count=fit.pieces,
                text=text,
                spans=fit.windows,
                duration_s=sum((w.end - w.start) / 1e6 for w in fit.windows),
            )
        )
    return out


def _table(record: Record, limits: Mapping[str, float]) -> pl.DataFrame:
    """One row per session and pair, and whether the pair shows the mark in it (`shown`)."""
    names = (OPPOSITE, COMMON, CORRELATION, ELSEWHERE)
    rows = recent(pl.concat([metric_rows(record, name) for name in names]), limits["days"])
    keys = ["kind", "start_t", "end_t", "item"]
    wide = rows.pivot(on="name", on_columns=names, index=keys, values="value", aggregate_function="first")
    se = rows.filter(pl.col("name") == OPPOSITE).select(*keys, pl.col("se").fill_null(0.0))
    wide = in_order(having(wide.join(se, on=keys), *names), ["start_t", "item"])
    others = pl.col(OPPOSITE).median().over("start_t")
    return wide.with_columns(
        shown=(pl.col(OPPOSITE) - limits["opposite"] > limits["z"] * pl.col("se"))
        & (pl.col(CORRELATION) < limits["correlation"])
        & (pl.col(OPPOSITE) > limits["over_common"] * pl.col(COMMON))
        & (pl.col(OPPOSITE) > limits["over_others"] * others)
        & (pl.col(ELSEWHERE) < limits["elsewhere"])
    )


def _moving(item: str, shown: pl.DataFrame, share: float, limits: Mapping[str, float]) -> Finding:
    size, r = float(shown[OPPOSITE].to_numpy().max()), float(np.median(shown[CORRELATION].to_numpy()))
    se = float(shown["se"].to_numpy()[shown[OPPOSITE].to_numpy().argmax()])
    lower, upper = item.split("-")
    return _finding(
        item=item,
        size=size,
        se=se,
        limit=limits["opposite"],
        share=share,
        count=shown.height,
        text=f"Groups {lower} and {upper} move opposite and equal with a standard deviation of {size:.0f} mV "
        f"(correlation {r:.2f}) while their sum stays right, in {counted(shown.height, 'session')}: the wire between "
        "them, not the cells.",
        spans=windows(shown, OPPOSITE),
        duration_s=seconds(shown),
    )


def _see_saws(record: Record, limits: Mapping[str, float]) -> list[Finding]:
    """A contact that is steadily bad: neighbours off by equal and opposite millivolts at any charge."""
    level = pooled(record, "cell_level_mv", last_days=limits["days"])
    found = []
    for lower, a in level.items():
        b = level.get(str(int(lower) + 1))
        if b is None:
            continue
        size, both = 0.5 * abs(a.value - b.value), 0.5 * abs(a.value + b.value)
        se = 0.5 * float(np.hypot(a.se, b.se))
        if size - limits["steady"] > limits["z"] * se and both < 0.25 * size and _agree(a, b, limits["steady"]):
            text = (
                f"Group {lower} reads {a.value:+.0f} mV and group {b.item} {b.value:+.0f} mV off their siblings, at "
                "any load and charge, and their sum is right: the wire between them, not the cells."
            )
            found.append(
                _finding(
                    item=f"{lower}-{b.item}",
                    size=size,
                    se=se,
                    limit=limits["steady"],
                    share=1.0,
                    count=a.count,
                    text=text,
                    spans=a.windows(),
                    duration_s=a.duration_s,
                )
            )
    return found


def _agree(a: Pooled, b: Pooled, steady: float) -> bool:
    n = min(a.count, b.count)
    return bool(np.mean(0.5 * np.abs(a.values[-n:] - b.values[-n:]) > 0.7 * steady) > 0.7)


def _finding(
    item: str,
    size: float,
    se: float,
    limit: float,
    share: float,
    count: int,
    text: str,
    spans: tuple[Window, ...],
    duration_s: float,
) -> Finding:
    return Finding(
        severity=Severity.SERVICE,
        item=f"cells {item}",
        measured=size,
        limit=limit,
        unit="mV",
        statement=text,
        se=se,
        confidence=confidence(size, limit, se),
        persistence=share,
        count=count,
        duration_s=duration_s,
        windows=spans,
        signals=("cell_voltage", "pack_voltage", "pack_current"),
        not_separable="Wire, crimp or connector pin: pull on each in turn while watching the two groups.",
    )


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import ExampleSession, one_session, record

    def session(day: float, opposite: float, r: float, common: float = 2.0, elsewhere: float = 0.1) -> ExampleSession:
        parts = []
        for pair, (o, c, k) in {"1-2": (2.0, 2.0, 0.0), "2-3": (2.1, 2.0, 0.0), "4-5": (opposite, common, r)}.items():
            parts += [
                Metric(OPPOSITE, o, "mV", 0.1, 3000, item=pair),
                Metric(COMMON, c, "mV", 0.1, 3000, item=pair),
                Metric(CORRELATION, k, "1", 0.02, 3000, item=pair),
                Metric(ELSEWHERE, elsewhere, "1", 0.02, 3000, item=pair),
            ]
        return one_session(day, "ride", *parts)

    def levels(day: float, a: float, b: float) -> ExampleSession:
        level = {"3": 0.5, "4": a, "5": b, "6": -0.5}
        metrics = [Metric("cell_level_mv", v, "mV", 0.5, 3000, item=k) for k, v in level.items()]
        return one_session(day, "ride", *metrics, *session(day, 2.0, 0.0).parts)

    def lone(day: float, outer: float, open_wire: bool) -> ExampleSession:
        """Group 4 moves, group 3 does not; group 5 reads nought beside 5 V of group 6."""
        parts: list[Metric | Event] = []
        for pair, moved in {"1-2": 1.0, "2-3": outer, "3-4": 11.0, "4-5": 11.0, "5-6": 0.8}.items():
            names = {OPPOSITE: moved, COMMON: moved, CORRELATION: 0.05, ELSEWHERE: 0.1}
            parts += [Metric(name, v, "mV", 0.1, 3000, item=pair) for name, v in names.items()]
        data = {"extreme_v": 0.0, "limit_v": 2.5, "beyond_v": 2.5, "median_v": 3.3, "current_a": 0.0}
        data |= {"neighbour": 6.0, "neighbour_v": 5.0, "pack_less_sum_v": 1.6}
        parts += [Event("group_under_voltage", 0, 60_000_000, "5", data)] if open_wire else []
        return one_session(day, "ride", *parts)

    return Cases(
        fires_on=(
            record(session(0, 15, -0.95), session(1, 12, -0.9), session(2, 2, 0.0)),
            record(levels(0, 24, -25), levels(1, 26, -25)),
            record(session(0, 15, -0.95)),  # one session, beyond doubt
            record(*(session(d, 2, 0.0) for d in range(9)), session(9, 15, -0.95), session(10, 14, -0.9)),
            record(lone(0, 1.0, open_wire=True), lone(1, 1.0, open_wire=True)),
        ),
        quiet_on=(
            record(session(0, 2, 0.0), session(1, 2, 0.05)),
            record(session(0, 15, -0.95), session(1, 2, 0.0), session(2, 2, 0.0)),  # once
            record(*(session(d, 15, -0.95, elsewhere=0.9) for d in range(3))),  # all groups move
            record(session(0, 15, 0.1, 14), session(1, 15, 0.0, 14)),  # one group moves, the neighbour does not
            record(levels(0, 25, -2), levels(1, 26, -1)),  # one group off: charge or monitor, not the wire
            record(lone(0, 1.0, open_wire=False), lone(1, 1.0, open_wire=False)),  # its neighbour is read, and still
            record(lone(0, 11.0, open_wire=True), lone(1, 11.0, open_wire=True)),  # the neighbour beyond moves as well
        ),
        unassessed_on=(record(one_session(0, "ride")),),
    )


RULE = Rule(
    id="loose_sense_wire",
    title="A loose measuring wire between two groups",
    subsystem="cells",
    severity=Severity.SERVICE,
    needs=(OPPOSITE, COMMON, CORRELATION, ELSEWHERE),
    roles=("cell_voltage", "pack_current"),
    limits=LIMITS,
    judge=judge,
    meaning="The wire that measures between two groups has a bad contact. The cells are likely sound, but the pack "
    "protects and balances by wrong figures: it may stop early, or not in time.",
    causes=(
        Cause(
            "a loose or corroded connector pin",
            only_by("the readings watched while the plug is moved, and a look at its pins"),
        ),
        Cause(
            "a poor crimp or solder joint of a sense wire",
            only_by("the resistance of the wire from tap to plug while it is pulled gently"),
        ),
        Cause("a wire about to break", only_by("the resistance of the wire from tap to plug while it is bent")),
    ),
    bench=(
        "measure both groups at their terminals and compare with what the electronics report",
        "pull gently on the wire and its pin while watching the two readings",
        "look for corrosion or heat marks at the connector",
    ),
    cautions=(
        "Sense wires carry the energy of the pack: a short burns. Only a qualified person opens a pack.",
        "Do not trust the two groups' readings for charging or balancing until the wire is mended.",
    ),
    source="circuit of a series string: a shared tap shifts two neighbours by equal and opposite amounts",
    cases=_cases,
    version=5,
)
