"""One role of a vehicle as SQL over the views of its messages: the same conversion as the pages', step by step.

A row a sample: t, value; NaN where what was sent is impossible or says that there is no value. Frames, conversions and
formulas as pipeline/lake/read.py and derived.py have them.
"""

from __future__ import annotations

from collections.abc import Sequence

from herdbook.pipeline.desk.formula_sql import bits, sql_of
from herdbook.pipeline.desk.tables import literal
from herdbook.pipeline.herd.one_select import quoted
from herdbook.pipeline.lake.derived import HOLD_S
from herdbook.pipeline.lake.read import LogRef
from herdbook.pipeline.store.publish import sanitized, schema_name
from herdbook.pipeline.times import from_micros
from herdbook.pipeline.vehicle.fault_codes import UNNAMED
from herdbook.pipeline.vehicle.formula import Name
from herdbook.pipeline.vehicle.mapping import Mapping
from herdbook.pipeline.vehicle.roles import ROLES

HOLD_US = int(HOLD_S * 1e6)
OWN = ("vehicle", "t", "channel", "source", "log")
NONE = "CAST('NaN' AS DOUBLE)"


def column_of(signal: str) -> str:
    """As the views call it: their own columns have these names."""
    return quoted(signal + "_" * (signal.lower() in OWN))


def view_of(profile: str, message: str) -> str:
    return f"{quoted(schema_name(profile))}.{quoted(sanitized(message))}"


def raw_statement(profile: str, name: str, vehicle: str, refs: Sequence[LogRef], start: int, end: int) -> str:
    """Of Message.Signal, in the DBC's unit. start, end: microseconds UTC, end excluded."""
    message, _, signal = name.partition(".")
    rows = _frames(profile, (message, signal), vehicle, refs, (start, end), "")
    return f"SELECT t, CAST(v AS DOUBLE) AS value FROM ({rows})"


def role_statement(m: Mapping, profile: str, vehicle: str, refs: Sequence[LogRef], start: int, end: int) -> str:
    """Of one item of a role, in its unit. start, end: microseconds UTC, end excluded."""
    narrowed = _narrowed(m)
    if m.formula is None:
        rows = _frames(profile, (m.message, m.signal), vehicle, refs, (start, end), narrowed)
        return f"SELECT t, {_converted(m, 'v')} AS value FROM ({rows})"
    names = [f"a{i}" for i in range(len(m.formula.signals))]
    series = []
    for i, name in enumerate(m.formula.signals):
        span = (start - HOLD_US if i else start, end)
        series.append(f"({_frames(profile, name, vehicle, refs, span, narrowed)}) {names[i]}")
    joins = "".join(
        f"\n  ASOF JOIN {one} ON a0.log = {name}.log AND a0.t >= {name}.t"
        for one, name in zip(series[1:], names[1:], strict=True)
    )
    fresh = " AND ".join(f"a0.t - {name}.t <= INTERVAL {HOLD_US} MICROSECONDS" for name in names[1:])
    value = sql_of(m.formula, [f"{name}.v" for name in names])
    if m.not_available:
        missing = " OR ".join(f"{name}.v IN {_listed(m.not_available)}" for name in names)
        value = f"CASE WHEN {missing} THEN {NONE} ELSE {value} END"
    made = f"SELECT a0.t AS t, {value} AS v FROM {series[0]}{joins}" + (f"\n  WHERE {fresh}" if fresh else "")
    return f"SELECT t, {_converted(m, 'v')} AS value FROM ({made})"


def _frames(
    profile: str, name: Name, vehicle: str, refs: Sequence[LogRef], span: tuple[int, int], narrowed: str
) -> str:
    a, b = (literal(from_micros(t)) for t in span)
    column = column_of(name[1])
    where = f"vehicle = {literal(vehicle)} AND t >= {a} AND t < {b} AND {column} IS NOT NULL{narrowed}"
    for ref in refs:
        for first, last in ref.doubts:  # doubtful time is taken out
            if first < span[1] and last >= span[0]:
                one, other = literal(from_micros(first)), literal(from_micros(last))
                where += f" AND NOT (log = {literal(ref.log)} AND t BETWEEN {one} AND {other})"
    return f"SELECT t, log, {column} AS v FROM {view_of(profile, name[0])} WHERE {where}"


def _narrowed(m: Mapping) -> str:
    """Which frames count."""
    out = f" AND {column_of(m.when[0])} = {m.when[1]}" if m.when else ""
    out += f" AND source = {m.source}" if m.source is not None else ""
    return out + (f" AND lower(channel) IN {_listed(m.channel.lower().split('|'))}" if m.channel else "")


def _listed(values: Sequence[float | str]) -> str:
    return "(" + ", ".join(literal(v) for v in values) + ")"


def _converted(m: Mapping, v: str) -> str:
    role = ROLES[m.role]
    ranged = role.unit != "state"
    if m.bit is not None:
        value = f"CAST({bits(v, m.bit, m.width)} AS DOUBLE)"
        ranged = m.width > 1
        value = _scaled(m, value) if ranged else value
    elif m.states:
        whens = " ".join(f"WHEN {raw} THEN {state}" for raw, state in m.states.items())
        value, ranged = f"CAST(CASE {v} {whens} ELSE {NONE} END AS DOUBLE)", False
    elif m.codes:
        whens = " ".join(f"WHEN {n} THEN {2.0**bit if bit >= 0 else 0.0!r}" for n, bit in m.codes)
        value, ranged = f"CAST(CASE {v} {whens} ELSE {2.0**UNNAMED!r} END AS DOUBLE)", False
    else:
        value = _scaled(m, f"CAST({v} AS DOUBLE)")
    if ranged:
        value = f"CASE WHEN {value} BETWEEN {role.low!r} AND {role.high!r} THEN {value} ELSE {NONE} END"
    if m.not_available and m.formula is None:
        value = f"CASE WHEN {v} IN {_listed(m.not_available)} THEN {NONE} ELSE {value} END"
    return value


def _scaled(m: Mapping, value: str) -> str:
    scaled = value if m.scale == 1.0 else f"{value} * {m.scale!r}"
    return scaled if m.offset == 0.0 else f"{scaled} + {m.offset!r}"
