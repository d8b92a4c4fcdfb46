"""The history of one vehicle for a warranty file, as a document of dated lines.

The document is a pure function of the published catalogue, the zone, the units, the as-of date and the public key. Its
seal is the SHA-256 of everything else in it: a name for the content, which anybody can compute. What cannot be made
by anybody is the signature that a written file carries (signature.py); verify.py holds a file against key and store.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from herdbook.pipeline.bench.acceptance.birth import figures_at_birth
from herdbook.pipeline.errors import SettingsError
from herdbook.pipeline.reports.facts import one_vehicle
from herdbook.pipeline.reports.history.context import HistoryContext, HistoryReader, herd_of
from herdbook.pipeline.reports.history.lines import (
    advice,
    birth,
    events,
    herd,
    identity,
    open_questions,
    service_book,
    several_packs,
    summary,
    unknown,
)
from herdbook.pipeline.reports.history.statement import SECTIONS, Statement
from herdbook.pipeline.reports.page import html
from herdbook.pipeline.reports.page.signature import sealed
from herdbook.pipeline.reports.record import profile_of, reference_of
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.times import stamp

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store

FORM = "herdbook-history/4"
Document = dict[str, Any]

READ_THIS = (
    "This file says what was recorded. It names no cause and nobody's responsibility; that decision stays with "
    "people, and consumer law differs from country to country.",
    "Absence of records is not evidence of absence of use, and a time without findings is not evidence of good "
    "condition.",
    "Values are those of the sensors built into the vehicle; their accuracy was not checked independently.",
    "A finding is the statement of a rule with the limit in force in the rule set named; other explanations may "
    "remain and are named where they are known.",
)


def document(
    store: Store,
    vehicle: str,
    *,
    zone: str | None = None,
    units: str = "km",
    as_of: datetime | None = None,
    by: str = "",
    at: datetime | None = None,
    public_key: str = "",
) -> Document:
    """The history as plain data, sealed, not yet signed; its shape: schema.json. at: when it is written, naive UTC."""
    given = context_of(store, vehicle, zone=zone, units=units, as_of=as_of, by=by, at=at)
    return document_of(given, all_lines(given), public_key)


def document_of(given: HistoryContext, lines: list[Statement], public_key: str = "") -> Document:
    return sealed(_document(given, lines) | {"public_key": public_key})


def context_of(
    store: Store,
    vehicle: str,
    *,
    zone: str | None = None,
    units: str = "km",
    as_of: datetime | None = None,
    by: str = "",
    at: datetime | None = None,
) -> HistoryContext:
    """What a history is made from. Raises: SettingsError, NotKnownError, StoreError."""
    if units not in ("km", "mi"):
        raise SettingsError(f"distances cannot be given in {units!r}", do="Choose km or mi")
    if zone is not None and numbers.zone_of(zone) is None:
        raise SettingsError(f"no such time zone: {zone!r}", do="Name one like Europe/Vienna or UTC")
    then = as_of.astimezone(UTC).replace(tzinfo=None) if as_of and as_of.tzinfo else as_of
    with store.read() as con:
        facts = one_vehicle(con, vehicle, store.settings.zone, then)
        reader = HistoryReader(numbers.zone_of(zone) if zone else facts.zone, units)
        profile = profile_of(store, facts.about["profile"])
        reference = reference_of(con, facts.about["profile"])
        counts = herd_of(con, facts) if then is None else None
        births = figures_at_birth(con, vehicle=vehicle, as_of=then)
    return HistoryContext(
        facts=facts,
        reader=reader,
        profile=profile,
        reference=reference,
        herd=counts,
        births=births,
        as_of=then,
        by=by,
        at=at,
    )


def all_lines(given: HistoryContext) -> list[Statement]:
    """Every line in reading order: the sections as in SECTIONS, inside each as made."""
    facts, reader = given.facts, given.reader
    makers: tuple[Iterable[Statement], ...] = (
        identity.lines(facts, reader),
        identity.parts(given),
        several_packs.lines(given),
        birth.lines(given),
        events.lines(given),
        service_book.lines(given),
        herd.lines(given),
        unknown.lines(facts, reader),
        open_questions.lines(given),
        advice.lines(given),
    )
    made = [line for maker in makers for line in maker]
    order = list(SECTIONS)
    return sorted([*summary.lines(given, made), *made], key=lambda line: order.index(line.section))


def _document(given: HistoryContext, lines: list[Statement]) -> Document:
    facts, reader = given.facts, given.reader
    order = {log["log"]: number for number, log in enumerate(facts.logs, start=1)}
    rule_sets = {line.rule_set for line in lines if line.rule_set} | {s["rule_set"] for s in facts.sessions}
    return {
        "form": FORM,
        "vehicle": facts.vehicle,
        "profile": facts.about["profile"],
        "zone": reader.zone.key if reader.zone else "UTC",
        "units": reader.units,
        "as_of": stamp(given.as_of) if given.as_of else None,
        "by": given.by,
        "at": stamp(given.at) if given.at else None,
        "built": _date(facts.about["built"]),
        "in_service": _date(facts.about["in_service"]),
        "data_until": stamp(max(log["end_t"] for log in facts.logs)) if facts.logs else None,
        "scan": facts.scan["scan"] if facts.scan else "",
        "rule_sets": sorted(rule_sets),
        "tool": f"herdbook {html.program_version()}",
        "read_this": list(READ_THIS),
        "sections": {key: title for key, title in SECTIONS.items() if key != "birth" or given.births},
        "lines": [_line(number, line, order, reader) for number, line in _numbered(lines)],
        "logs": [_log(order[log["log"]], log) for log in facts.logs],
    }


def _date(value: object) -> str | None:
    return str(value) if value else None


def _numbered(lines: list[Statement]) -> Iterator[tuple[int, Statement]]:
    """Statements count from 1; the short answers, which only sum them up, have no number of their own (0)."""
    number = 0
    for line in lines:
        number += line.section != "short"
        yield (0 if line.section == "short" else number), line


def _line(number: int, line: Statement, order: dict[str, int], reader: HistoryReader) -> Document:
    dated = line.start is not None and line.end is not None
    return {
        "no": number,
        "section": line.section,
        "from": stamp(line.start) if line.start else None,
        "to": stamp(line.end) if line.end else None,
        "local": numbers.span(line.start, line.end, reader.zone) if dated else "",  # type: ignore[arg-type]
        "topic": line.topic,
        "text": line.text,
        "basis": line.basis,
        "severity": line.severity,
        "value": line.value,
        "unit": line.unit,
        "standard_error": line.se,
        "coverage": line.coverage,
        "rule": line.rule,
        "rule_set": line.rule_set,
        "logs": sorted({order[log] for log in line.logs if log in order}),
    }


def _log(number: int, log: Document) -> Document:
    kept = (
        "name",
        "size_bytes",
        "format",
        "status",
        "clock",
        "identity_by",
        "profile",
        "profile_hash",
        "network_hash",
        "frames",
        "frames_known",
        "lost_bytes",
        "part_hash",
    )
    times = {"received": stamp(log["received_t"]), "from": stamp(log["start_t"]), "to": stamp(log["end_t"])}
    return {"no": number, "sha256": log["log"]} | {key: log[key] for key in kept} | times
