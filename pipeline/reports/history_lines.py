"""The lines of a history: what was recorded, dated, in neutral words, each with what it rests on.

Language: "recorded", "not covered", "not known". No line names a cause, a person or anybody's fault; causes
and bench checks belong to the dossier, the decision to people.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from pipeline.reports import words
from pipeline.reports.facts import Facts, Row

SECTIONS = {
    "identity": "Identity",
    "parts": "Parts and versions over time",
    "use": "Use on record",
    "events": "What was recorded out of the ordinary",
    "unknown": "What is not known",
}


@dataclass(frozen=True, slots=True)
class Line:
    """One statement. logs: SHA-256 of the logs it rests on.

    basis: "recorded" (read from a log), "computed" (from recorded values), "stated" (entered by somebody,
    in a sidecar or profile) or "not known".
    """

    section: str
    text: str
    basis: str
    start: datetime | None = None
    end: datetime | None = None
    severity: str = ""
    value: float | None = None
    unit: str = ""
    se: float | None = None
    coverage: float | None = None
    logs: tuple[str, ...] = ()
    rule: str = ""
    rule_set: str = ""


@dataclass(frozen=True, slots=True)
class Reader:
    """For whom: zone of all times, "km" or "mi"."""

    zone: ZoneInfo | None
    units: str

    def day(self, t: datetime) -> str:
        return words.day(t, self.zone)

    def distance(self, km: float) -> float:
        return km if self.units == "km" else km / words.KM_PER_MILE


def logs_between(facts: Facts, start: datetime, end: datetime) -> tuple[str, ...]:
    return tuple(log["log"] for log in facts.logs if log["start_t"] <= end and log["end_t"] >= start)


def identity(facts: Facts, reader: Reader) -> Iterator[Line]:
    """Who it is, when it was built and put into service, and what the record spans."""
    about = facts.about
    every = tuple(log["log"] for log in facts.logs)
    how = words.listing(sorted({log["identity_by"] for log in facts.logs})) or "nothing on record"
    yield Line("identity", f"The records belong to vehicle {facts.vehicle}, told by: {how}.", "recorded", logs=every)
    if about["batch"]:
        yield Line("identity", f"Production batch {about['batch']}.", "stated", logs=facts.stated.get("batch", ()))
    for key, said in (("built", "Built on"), ("in_service", "In service since")):
        if about[key]:
            by = f" ({about['in_service_by']})" if key == "in_service" and about["in_service_by"] else ""
            yield Line("identity", f"{said} {words.day(about[key])}{by}.", "stated", logs=facts.stated.get(key, ()))
        else:
            what = "building" if key == "built" else "going into service"
            yield Line("unknown", f"The date of {what} is not known.", "not known")
    if facts.logs:
        first, last = facts.logs[0], max(facts.logs, key=lambda log: log["end_t"])
        text = f"First record {reader.day(first['start_t'])}, last record {reader.day(last['end_t'])}."
        yield Line("identity", text, "recorded", first["start_t"], last["end_t"], logs=(first["log"], last["log"]))


def parts(facts: Facts, reader: Reader) -> Iterator[Line]:
    """Which pack, controller, firmware and hardware was seen from when to when."""
    for row in facts.installs:
        name = row["component"].replace("_", " ")
        text = (
            f"{name[0].upper() + name[1:]} {row['serial']} was seen from {reader.day(row['from_t'])} "
            f"to {reader.day(row['to_t'])} (told by: {row['known_by']})."
        )
        logs = logs_between(facts, row["from_t"], row["to_t"])
        yield Line("parts", text, "recorded", row["from_t"], row["to_t"], logs=logs)


def events(facts: Facts, reader: Reader, as_of: datetime | None) -> Iterator[Line]:
    """Findings as statements of what was recorded, with limit, count and duration."""
    rows = known_then(facts) if as_of else facts.findings
    for f in rows:
        yield Line(
            "events",
            _event_text(f, reader),
            "computed",
            f["first_t"],
            f["last_t"],
            f["severity"],
            f["measured"],
            f["unit"] or "",
            f.get("se"),
            logs=_event_logs(facts, f),
            rule=f["rule"],
            rule_set=f["rule_set"] or "",
        )
    if not rows:
        text = "Nothing out of the ordinary was found in the data available."
        yield Line("events", text, "computed", logs=tuple(log["log"] for log in facts.logs))


def _event_text(f: Row, reader: Reader) -> str:
    text: str = f["statement"].rstrip() + ("" if f["statement"].rstrip().endswith(".") else ".")
    if f.get("count"):
        seen = f" Recorded {words.plural(f['count'], 'time')}"
        seen += f", {words.duration(f['duration_s'])} in all" if f["duration_s"] > 0 else ""
        first, last = reader.day(f["first_t"]), reader.day(f["last_t"])
        text += seen + (f", on {first}." if first == last else f", between {first} and {last}.")
        text += f" Measured {words.amount(f['measured'], f['unit'], f['se'])};"
        text += f" limit in force {words.amount(f['limit'], f['unit'])}."
    if f.get("not_separable"):
        text += f" Not told apart by the data: {f['not_separable']}"
    return text


def _event_logs(facts: Facts, f: Row) -> tuple[str, ...]:
    windows = f.get("windows") or []
    found = [log for w in windows for log in logs_between(facts, w["start_t"], w["end_t"])]
    if not found and f["first_t"]:
        found = list(logs_between(facts, f["first_t"], f["last_t"]))
    return tuple(dict.fromkeys(found))


def known_then(facts: Facts) -> list[Row]:
    """The findings that stood after the last scan in facts.changes, rebuilt from the log of changes.

    first_t and last_t are the scans that first and last told of it: the change log keeps no other dates.
    """
    standing: dict[tuple[str, str], Row] = {}
    for change in facts.changes:
        key = (change["rule"], change["item"])
        if change["change"] == "gone":
            standing.pop(key, None)
        else:
            first = standing[key]["first_t"] if key in standing else change["started_t"]
            standing[key] = change | {"first_t": first, "last_t": change["started_t"]}
    rank = words.SEVERITY_RANK
    return sorted(standing.values(), key=lambda row: (rank.get(row["severity"], 9), row["rule"], row["item"]))
