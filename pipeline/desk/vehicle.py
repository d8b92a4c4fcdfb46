"""One vehicle: what stands against it, each finding with the way to its second; scores, sessions, service book."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from starlette.responses import Response

from herdbook.pipeline.desk.desk import Asked
from herdbook.pipeline.desk.look import address
from herdbook.pipeline.desk.notes import KINDS, OUTCOMES, look_again
from herdbook.pipeline.desk.tables import TableQuestion, copies, page_of
from herdbook.pipeline.reports.dossier.evidence import gauge
from herdbook.pipeline.reports.facts import Facts, one_vehicle
from herdbook.pipeline.reports.verdict import marks, verdict
from herdbook.pipeline.reports.words import cautions, numbers
from herdbook.pipeline.reports.words import names as said_names
from herdbook.pipeline.store.statements import Row, statement
from herdbook.pipeline.times import stamp
from herdbook.pipeline.vehicle.packs import PACK_ROLES, marked, pack_of
from herdbook.pipeline.vehicle.roles import ROLES

LEAD = timedelta(seconds=5)  # before and after a finding's window, or a tenth of it
MOST_SIGNALS = 4  # drawn at once when a finding is opened
USUAL = ("pack_current", "pack_voltage", "vehicle_speed")
SESSIONS = 25  # of a page


def page(asked: Asked) -> Response:
    return shown(asked, asked.one("v"))


def sessions_of(vehicle: str) -> TableQuestion:
    return TableQuestion(statement(__name__, "sessions"), {"vehicle": vehicle}, {}, "start_t DESC")


def findings_of(vehicle: str) -> TableQuestion:
    return TableQuestion(statement(__name__, "findings"), {"vehicle": vehicle})


def scores_of(vehicle: str) -> TableQuestion:
    return TableQuestion(
        "SELECT * EXCLUDE (vehicle) FROM scores WHERE vehicle = $vehicle", {"vehicle": vehicle}, {}, "subsystem"
    )


def shown(asked: Asked, name: str, status: int = 200, **more: Any) -> Response:
    """The page of a vehicle. more: what a form that was not taken brings back."""
    wanted = sessions_of(name)
    number = asked.one("page", "1")
    with asked.store.read() as con:
        facts = one_vehicle(con, name, asked.store.settings.zone)
        sessions = page_of(
            con, wanted, "", False, int(number) if number.isdecimal() and len(number) < 9 else 1, SESSIONS
        )
    matters = [m for m in facts.unlooked if (m.rule, m.item) not in {(f["rule"], f["item"]) for f in facts.findings}]
    return asked.page(
        "one_vehicle.html.j2",
        status,
        kinds=KINDS,
        outcomes=OUTCOMES,
        findings_or_open=[
            *facts.findings,
            *({"rule": m.rule, "item": m.item, "title": facts.rule_title(m.rule)} for m in matters),
        ],
        look_again=lambda entry: look_again(name, entry.said),
        facts=facts,
        verdict=verdict(facts, len(facts.sessions)),
        marks=marks(facts),
        cautions=cautions.for_findings(facts.findings),
        law=cautions.LAW,
        gauges={f["finding"]: gauge(f) for f in facts.findings},
        looks={f["finding"]: [look_at(facts, f, w) for w in f["windows"]] for f in facts.findings},
        sessions=sessions,
        session_address=lambda s: window_address(name, list(USUAL), s["start_t"], s["end_t"]),
        at=lambda t: numbers.moment(t, facts.zone),
        said=said_names.statement,
        changed=numbers.CHANGE_WORD,
        copied=copies(asked.store.folder, wanted.text()),
        scores_copied=copies(asked.store.folder, scores_of(name).text()),
        findings_copied=copies(asked.store.folder, findings_of(name).text()),
        **more,
    )


def window_address(vehicle: str, signals: list[str], start: datetime, end: datetime, **more: str) -> str:
    return address("/window", v=vehicle, s=signals, **{"from": stamp(start), "to": stamp(end)}, **more)


def look_at(facts: Facts, finding: Row, window: Row) -> tuple[str, str]:
    """A window of a finding in words, and the address of its signals."""
    start, end = window["start_t"], window["end_t"]
    lead = max(LEAD, (end - start) / 10)
    signals = signals_of(finding) or list(USUAL)
    where = window_address(
        facts.vehicle,
        signals,
        start - lead,
        end + lead,
        mark=f"{stamp(start)}/{stamp(end)}",
        rule=finding["rule"],
        item=finding["item"],
    )
    return numbers.span(start, end, facts.zone), where


def signals_of(finding: Row) -> list[str]:
    """What a finding is looked at by: its roles, the most telling first; those of a further pack with its number."""
    pack = pack_of(finding["item"])[0] or 1
    roles = [role for role in finding["signals"] if role in ROLES][:MOST_SIGNALS]
    return [marked(pack, role) if role in PACK_ROLES else role for role in roles]
