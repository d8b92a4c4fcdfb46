"""herdbook accept: is a unit as its maker's test plan asks, with what certainty; what was it at birth."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from herdbook.pipeline.commands.terminal.options import Json

if TYPE_CHECKING:
    from herdbook.pipeline.bench.acceptance.accept import Acceptance, StepResult
    from herdbook.pipeline.bench.acceptance.verdicts import Judged
    from herdbook.pipeline.store.store import Store

ORDER = 7
PASSED, FAILED, OPEN = 0, 50, 60
SUFFIXES = ("html", "json", "pdf")


def register(app: typer.Typer) -> None:
    app.command(epilog="Example: herdbook accept ride.blf dock.blf --plan board.plan.toml --store fleet --line L1")(
        accept
    )


def accept(
    logs: Annotated[list[Path], typer.Argument(help="Logs of one unit, or folders of them.", show_default=False)],
    plan: Annotated[Path, typer.Option(help="The maker's test plan.", show_default=False)],
    profile: Annotated[Path | None, typer.Option(help="The unit's profile; else the store's profiles.")] = None,
    store: Annotated[
        Path | None,
        typer.Option("--store", "-s", envvar="HERDBOOK_STORE", help="Store that the test enters, and whose key signs."),
    ] = None,
    vehicle: Annotated[str, typer.Option(help="Whose the logs are, where they do not say so.")] = "",
    readings: Annotated[Path | None, typer.Option(help="File of instrument readings, as of insulation.")] = None,
    line: Annotated[str, typer.Option(help="Production line or bench: enters the store.")] = "",
    who: Annotated[str, typer.Option(help="Who tests: enters the store.")] = "",
    out: Annotated[Path | None, typer.Option(help="Certificate: NAME.html, .json, .pdf, or a folder.")] = None,
    pdf: Annotated[bool, typer.Option("--pdf", help="On paper, with the signed page inside (needs Chromium).")] = False,
    json: Json = False,
) -> None:
    """Hold a unit's logs against a test plan: pass, fail or not decided, each value with its error and guard band.

    Nothing passes by default: a step that the logs lack, a value without an error, a log that is cut leave the unit not
    decided. With a store the test enters it, with the unit's birth figures, and the certificate is signed.

    Exit code: 0 passed, 50 failed, 60 not decided. Errors have their own: `herdbook help trouble`.

    JSON: the certificate's record, signed where there is a store.
    """
    from herdbook.pipeline.bench.acceptance.accept import accept as hold
    from herdbook.pipeline.bench.acceptance.plan import read_plan
    from herdbook.pipeline.bench.acceptance.readings import read_readings
    from herdbook.pipeline.bench.acceptance.verdicts import Verdict
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.reports.bench.certificate_file import signed, write_certificate
    from herdbook.pipeline.store.store import Store

    read, given = read_plan(plan), read_readings(readings)
    opened = Store.open(store) if store is not None else None
    form = form_of(out, pdf)
    with screen.progress("accept") as told:
        found = hold(logs, read, profiles_of(opened, profile), vehicle=vehicle, readings=given, progress=told)
    if not json:
        show(found)  # before anything that may be refused: a store that is busy loses no result
    made, fresh = recorded(opened, found, line=line, who=who)
    written = write_certificate(opened, made, out, form) if out is not None else None
    if json:
        screen.as_json(signed(opened, made))
    else:
        for text in said_of(opened, found, fresh):
            screen.say(text)
        if written is not None:
            screen.say(f"Certificate: {screen.place(written)}")
    raise typer.Exit({Verdict.PASSED: PASSED, Verdict.FAILED: FAILED, Verdict.OPEN: OPEN}[found.verdict])


def form_of(out: Path | None, pdf: bool) -> str:
    """The form of the certificate. Raises: SettingsError for a name that says another."""
    from herdbook.pipeline.errors import SettingsError

    suffix = out.suffix[1:].lower() if out is not None and not out.is_dir() else ""
    if suffix and suffix not in SUFFIXES:
        raise SettingsError(f"no certificate is written as .{suffix}", out, f"Name it .{', .'.join(SUFFIXES)}")
    if pdf and suffix not in ("", "pdf"):
        raise SettingsError(f"--pdf and a name that ends in .{suffix}", out, "Name it .pdf, or leave --pdf out")
    if pdf and out is None:
        raise SettingsError("--pdf says not where", do="Add --out NAME.pdf")
    return "pdf" if pdf else suffix or "html"


def profiles_of(store: Store | None, profile: Path | None) -> Path:
    """Raises: SettingsError where nothing names a profile."""
    from herdbook.pipeline.errors import SettingsError

    if profile is not None:
        return profile
    if store is None:
        raise SettingsError("nothing says how to read the logs", do="Add --profile FILE, or --store with its profiles")
    return store.folder / store.settings.profiles


def recorded(store: Store | None, found: Acceptance, *, line: str, who: str) -> tuple[dict[str, Any], bool]:
    """The certificate's record, and whether it is new to the store; entered there where there is one."""
    from herdbook.pipeline.bench.acceptance.enter import enter, known, name_of
    from herdbook.pipeline.reports.bench.certificate import certificate
    from herdbook.pipeline.store.signing_key import private_key, public_key
    from herdbook.pipeline.times import utc_now

    name, now = name_of(found, line=line, who=who), utc_now()
    if store is None:
        return certificate(found, name, line=line, who=who, at=now), True
    private_key(store)  # made at first use
    made = known(store, name)
    if made is None:
        made = certificate(found, name, line=line, who=who, at=now, public_key=public_key(store))
    fresh = enter(store, name, found, made, line=line, who=who, now=now)
    return made, fresh


def show(found: Acceptance) -> None:
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.reports.bench.certificate_page import at_most

    head = f"{found.vehicle}: {found.verdict.value.upper()} by “{found.plan.name}”, version {found.plan.version}."
    if found.verdict.value == "passed":
        head += f" Chance that a value truly lies outside its limits: {at_most(found.wrong_acceptance)}."
    screen.say(head, style="bold")
    for text in found.against:
        screen.say(f"FAILED by a finding of the fleet's rules: {text}", style="bold")
    for log, why, do in found.refused:
        screen.say(f"{log} could not be used, so that the unit cannot pass: {why.rstrip('.')}. {do.rstrip('.')}.")
    if found.doubts:
        screen.say("The logs speak against the profile")
        for text in dict.fromkeys(found.doubts):
            screen.point(f"{text.rstrip('.')}.")
    rows = [row for step in found.steps for row in step_rows(step)]
    columns = ("step", "measured", "value ± se", "limits", "guard band", "outside", "result")
    screen.table("What was measured", columns, rows)
    reasons = dict.fromkeys(
        f"{s.step.name}, {r.check.measured}: {r.reason}"
        for s in found.steps
        for r in s.rows
        if r.reason and not s.lacking
    )
    lacking = [f"{s.step.name}: {s.lacking}" for s in found.steps if s.lacking]
    if reasons or lacking:
        screen.say("Not decided")
        for text in (*lacking, *reasons):
            screen.point(f"{text}.")


def step_rows(result: StepResult) -> list[tuple[str, ...]]:
    """The rows of a step; of groups that passed one row, the one nearest to its limits; of a step that is not there
    one."""
    from herdbook.pipeline.bench.acceptance.verdicts import Verdict

    if result.lacking:
        return [(result.step.name, "not found", "–", "", "", "–", result.verdict.value)]
    out: list[tuple[str, ...]] = []
    for line in dict.fromkeys(row.check.line for row in result.rows):
        rows = [row for row in result.rows if row.check.line == line]
        sound = [row for row in rows if row.verdict is Verdict.PASSED]
        if len(sound) > 2:
            out.append(_row(max(sound, key=lambda row: row.outside or 0.0), len(sound)))
            rows = [row for row in rows if row.verdict is not Verdict.PASSED]
        out += [_row(row, 0) for row in rows]
    return [(result.step.name if n == 0 else "", *row) for n, row in enumerate(out)]


def _row(row: Judged, of: int) -> tuple[str, ...]:
    from herdbook.pipeline.reports.bench.certificate import item_words
    from herdbook.pipeline.reports.bench.certificate_page import chance, guard, limits
    from herdbook.pipeline.reports.words import numbers

    about = {"unit": row.check.unit, "low": row.check.limits.low, "high": row.check.limits.high}
    accept = row.accept
    about |= {"accept_low": accept.low if accept else None, "accept_high": accept.high if accept else None}
    item = item_words(row.check, row.item)
    item += f" (nearest of {of})" if of else ""
    return (
        f"{row.check.measured}, {item}" if item else row.check.measured,
        "–" if row.value is None else numbers.amount(row.value, row.check.unit, row.se),
        limits(about),
        guard(about),
        "–" if row.outside is None else chance(row.outside),
        row.verdict.value,
    )


def said_of(store: Store | None, found: Acceptance, fresh: bool) -> list[str]:
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.reports.words import cautions

    out = []
    if store is None:
        out.append("Entered nowhere and not signed: that needs --store.")
    else:
        births = screen.plural(len(found.births), "birth figure")
        out.append(f"Entered with {births}." if fresh else "It was in the store already: nothing was entered again.")
    return [*out, cautions.BENCH[-1].text]
