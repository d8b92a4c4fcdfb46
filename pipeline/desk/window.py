"""Signals of a vehicle over any stretch of its time: the page, and what it draws, asked for anew with every zoom."""

from __future__ import annotations

import json
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from starlette.responses import JSONResponse, RedirectResponse, Response

from herdbook.pipeline.book.entry import Kind
from herdbook.pipeline.desk.desk import Asked
from herdbook.pipeline.desk.known import known
from herdbook.pipeline.desk.lines import Drawing, Line, Named, asked_for, draw
from herdbook.pipeline.desk.look import address, moment_of
from herdbook.pipeline.desk.notes import KINDS
from herdbook.pipeline.desk.pack_names import plain_names
from herdbook.pipeline.desk.same_signals import copies_of
from herdbook.pipeline.errors import HerdbookError, NotKnownError, SettingsError
from herdbook.pipeline.reports.drawing.traces import STEPPED
from herdbook.pipeline.reports.page.figure import script_safe
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.store.statements import Row, ask
from herdbook.pipeline.times import EPOCH, from_micros, micros, stamp
from herdbook.pipeline.vehicle.roles import ROLES

USUAL = ("pack_current", "pack_voltage", "vehicle_speed")
MOST_SIGNALS = 24
PIXELS, PIXELS_USUAL = (50, 4000), 1100
LEAST_US = 1000  # a millisecond
LEAD = timedelta(seconds=5)  # before and after a finding
LAST = datetime(2200, 1, 1)


@dataclass(frozen=True)
class Stretch:
    """Of a vehicle. moved: in words, where what was asked for made no sense and another stretch is shown."""

    start: datetime
    end: datetime
    moved: str = ""


def record_of(asked: Asked, vehicle: str) -> tuple[Row, list[Row]]:
    """The vehicle's record and its moments. Raises: NotKnownError."""

    def read() -> tuple[list[Row], list[Row]]:
        with asked.store.read() as con:
            return ask(con, __name__, "record", vehicle=vehicle), ask(con, __name__, "moments", vehicle=vehicle)

    found, moments = known(asked.store, ("record", vehicle), read)
    if not found:
        do = "It may have been renamed or corrected since the address was made; see /fleet"
        raise NotKnownError(f"vehicle {vehicle!r} is not in this store", do=do)
    return found[0], moments


def stretch_of(asked: Asked, record: Row, moments: list[Row]) -> Stretch:
    """What the address names, else the newest session, else the whole record."""
    start, end = moment_of(asked.one("from")), moment_of(asked.one("to"))
    sessions = [m for m in moments if m["kind"] == "session"]
    first = sessions[0] if sessions else None
    usual = (
        Stretch(first["start_t"], first["end_t"])
        if first
        else Stretch(record["first_t"] or EPOCH, record["last_t"] or EPOCH + timedelta(hours=1))
    )
    if not asked.one("from") and not asked.one("to"):
        return usual
    if start is None or end is None or not EPOCH <= start < end <= LAST:
        words = "The address names no stretch of time that can be shown; this is the newest session."
        return Stretch(usual.start, usual.end, words)
    if micros(end) - micros(start) < LEAST_US:
        end = start + timedelta(microseconds=LEAST_US)
    return Stretch(start, end)


def page(asked: Asked) -> Response:
    vehicle, beside = asked.one("v"), asked.one("b")
    if vehicle and beside and not asked.one("bt"):
        with suppress(NotKnownError):  # told on the page
            return RedirectResponse(_aligned(asked, vehicle, beside), 303)
    return shown(asked, vehicle)


def _aligned(asked: Asked, vehicle: str, beside: str) -> str:
    """The address with moments of both that go together: where none was chosen, the begin of a session and of the
    newest of the same kind of the other, or of the one before. Raises: NotKnownError."""
    record, moments = record_of(asked, vehicle)
    stretch = stretch_of(asked, record, moments)
    at = moment_of(asked.one("at")) or stretch.start
    mine = [m for m in moments if m["kind"] == "session" and m["start_t"] <= at <= m["end_t"]]
    kind = mine[0]["words"] if mine else ""
    others = [m for m in record_of(asked, beside)[1] if m["kind"] == "session"]
    if beside == vehicle:
        others = [m for m in others if m["start_t"] < (mine[0]["start_t"] if mine else at)]
    of = next((m for m in others if m["words"] == kind), others[0] if others else None)
    if mine and not asked.one("at"):
        at = mine[0]["start_t"]
    given = {**asked.query, "from": stamp(stretch.start), "to": stamp(stretch.end)}
    return address("/window", **given | {"at": stamp(at), "bt": stamp(of["start_t"] if of else at)})


def shown(asked: Asked, vehicle: str, status: int = 200, **more: Any) -> Response:
    if not vehicle:
        return asked.page("no_window.html.j2", status)
    record, moments = record_of(asked, vehicle)
    stretch = stretch_of(asked, record, moments)
    names = asked.many("s")[:MOST_SIGNALS] or list(USUAL)
    beside = asked.one("b")
    b_record: Row | None = None
    b_moments: list[Row] = []
    b_problem = ""
    if beside:
        try:
            b_record, b_moments = record_of(asked, beside)
        except NotKnownError as error:
            b_problem = str(error)
    zone = numbers.zone_of(record["zone"] or asked.store.settings.zone)
    return asked.page(
        "window.html.j2",
        status,
        vehicle=vehicle,
        record=record,
        moments=moments,
        kinds={kind: words for kind, words in KINDS.items() if kind in (Kind.NOTE, Kind.COMPLAINT)},
        about_findings=_findings(moments),
        stretch=stretch,
        names=names,
        known=known_names(asked, record["profile"]),
        zone=zone.key if zone else "UTC",
        beside=beside if b_record else "",
        b_record=b_record,
        b_moments=b_moments,
        b_problem=b_problem,
        at=lambda t: numbers.moment(t, zone),
        first="" if b_problem else _first(asked, vehicle, names, stretch),
        lead=lambda m: max(LEAD, (m["end_t"] - m["start_t"]) / 10),
        **more,
    )


def _findings(moments: list[Row]) -> list[Row]:
    """Each finding once."""
    found = {(m["rule"], m["item"]): m for m in moments if m["kind"] == "finding"}
    return [{"rule": rule, "item": item, "title": m["title"]} for (rule, item), m in found.items()]


def known_names(asked: Asked, profile: str) -> list[tuple[str, str]]:
    """Every role that the profile maps, and every signal of its DBC, each with a word about it."""
    found = next((p for p in reversed(asked.store.profiles()) if p.name == profile), None)
    if found is None:
        return [(name, role.meaning) for name, role in ROLES.items()]
    roles = {m.role for m in found.roles}
    named = [
        (name, f"{ROLES[name].meaning} [{numbers.unit(ROLES[name].unit) or '1'}]") for name in ROLES if name in roles
    ]
    raw = [(f"{m.name}.{s.name}", s.unit or "") for m in found.network().messages for s in m.signals]
    return named + sorted(set(raw))


def data(asked: Asked) -> Response:
    """JSON: lines with times as offsets in microseconds from `start`; of a second vehicle its own."""
    start, end = stretch_asked(asked)
    given = asked.one("px", "1200")
    pixels = min(max(int(given), PIXELS[0]), PIXELS[1]) if given.isdecimal() and len(given) < 9 else PIXELS_USUAL
    return JSONResponse(_drawn(asked, asked.one("v"), asked.many("s")[:MOST_SIGNALS], start, end, pixels))


def _drawn(asked: Asked, vehicle: str, names: list[str], start: int, end: int, pixels: int) -> dict[str, Any]:
    owner = asked.one("q") or "nobody"
    found = draw(asked.store, asked.desk.preparing, owner, vehicle, names, start, end, pixels)
    out = as_json(found, vehicle)
    if beside := asked.one("b"):
        shift = shift_asked(asked)
        other = draw(asked.store, asked.desk.preparing, f"{owner} b", beside, names, start + shift, end + shift, pixels)
        out["beside"] = as_json(other, beside)
    return out


def copies(asked: Asked) -> Response:
    """The stretch by other ways; of a second vehicle its own."""
    start, end = stretch_asked(asked)
    named = asked.many("s")[:MOST_SIGNALS]

    def names(vehicle: str) -> list[Named]:
        return asked_for(plain_names(asked.store, vehicle, named))[0]

    made = {"": copies_of(asked.store, asked.one("v"), names(asked.one("v")), start, end)}
    if beside := asked.one("b"):
        shift = shift_asked(asked)
        made["_b"] = copies_of(asked.store, beside, names(beside), start + shift, end + shift)
    kinds = ("command", "sql", "python")
    return JSONResponse({f"{kind}{of}": getattr(one, kind) for of, one in made.items() for kind in kinds})


def shift_asked(asked: Asked) -> int:
    """By how much later the second vehicle is looked at, microseconds."""
    at, bt = moment_of(asked.one("at")), moment_of(asked.one("bt"))
    return micros(bt) - micros(at) if at and bt else 0


def stretch_asked(asked: Asked) -> tuple[int, int]:
    """from and to, microseconds. Raises: SettingsError."""
    start, end = _micros(asked, "from"), _micros(asked, "to")
    if not 0 <= start < end:
        raise SettingsError("the address names no stretch of time", do="Give from and to, like 2026-03-20T11:12:29Z")
    return start, end


def _first(asked: Asked, vehicle: str, names: list[str], stretch: Stretch) -> str:
    """What the page draws at once, in it, so that nothing is to be waited for; "" where it cannot be had."""
    try:
        made = _drawn(asked, vehicle, names, micros(stretch.start), micros(stretch.end), PIXELS_USUAL)
    except HerdbookError:  # told when the page asks for itself
        return ""
    return script_safe(json.dumps(made, separators=(",", ":"), allow_nan=False))


def _micros(asked: Asked, name: str) -> int:
    found = moment_of(asked.one(name))
    return micros(found) if found else -1


def as_json(found: Drawing, vehicle: str) -> dict[str, Any]:
    return {
        "vehicle": vehicle,
        "start": found.start,
        "end": found.end,
        "from": stamp(from_micros(found.start)),
        "to": stamp(from_micros(found.end)),
        "recorded": [[a - found.start, b - found.start] for a, b in found.recorded[:4000]],
        "logs": found.logs,
        "expired": found.expired,
        "left": found.left,
        "jobs": found.jobs,
        "overlapping": found.overlapping,
        "problems": found.problems,
        "lines": [_line(line, found.start) for line in found.lines],
    }


def _line(line: Line, start: int) -> dict[str, Any]:
    blocks = line.blocks
    out: dict[str, Any] = {
        "name": line.name,
        "role": line.role,
        "words": line.words,
        "unit": numbers.unit(line.unit),
        "states": list(line.states),
        "stepped": line.unit in STEPPED,
        "n": line.n,
        "about": line.about,
        "exact": line.exact,
        "t": (blocks.first - start).tolist(),
        "low": blocks.low.tolist(),
        "begins": blocks.begins.nonzero()[0].tolist(),
    }
    if not line.exact:
        out |= {"last": (blocks.last - start).tolist(), "high": blocks.high.tolist()}
    return out


def stop(asked: Asked) -> Response:
    """Prepare no more for a page."""
    for owner in (asked.one("q"), f"{asked.one('q')} b"):
        asked.desk.preparing.stop(owner)
    return JSONResponse({"stopped": True})
