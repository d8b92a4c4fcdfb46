"""herdbook accept: is a unit as its maker's test plan asks, with what certainty; what was it at birth."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from herdbook.pipeline.commands.terminal.options import Json

if TYPE_CHECKING:
    from herdbook.pipeline.bench.acceptance.accept import Acceptance
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
    from herdbook.pipeline.commands.terminal.accepted import show
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
        for text in said_of(opened, found, made, fresh):
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
    from herdbook.pipeline.bench.acceptance.production import productions
    from herdbook.pipeline.reports.bench.certificate import certificate
    from herdbook.pipeline.store.signing_key import private_key, public_key
    from herdbook.pipeline.times import utc_now

    name, now = name_of(found, line=line, who=who), utc_now()
    if store is None:
        return certificate(found, name, line=line, who=who, at=now, production=productions(None, found)), True
    private_key(store)  # made at first use
    made = known(store, name)
    if made is None:
        shared = productions(store, found)
        made = certificate(found, name, line=line, who=who, at=now, public_key=public_key(store), production=shared)
    fresh = enter(store, name, found, made, line=line, who=who, now=now)
    return made, fresh


def said_of(store: Store | None, found: Acceptance, made: dict[str, Any], fresh: bool) -> list[str]:
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.reports.bench.certificate_page import global_words
    from herdbook.pipeline.reports.words import cautions

    out = []
    if store is not None and (words := global_words(made)):
        out.append(f"Over the production: {words}")
    if store is None:
        out.append("Entered nowhere and not signed: that needs --store.")
    else:
        births = screen.plural(len(found.births), "birth figure")
        out.append(f"Entered with {births}." if fresh else "It was in the store already: nothing was entered again.")
    return [*out, cautions.BENCH[-1].text]
