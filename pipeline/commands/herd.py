"""herdbook herd: of all vehicles together: how long parts live, whether it is the batch, how right the rules are."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from herdbook.pipeline.commands.terminal.herd_batches import batches
from herdbook.pipeline.commands.terminal.herd_campaign import campaign
from herdbook.pipeline.commands.terminal.herd_course import course
from herdbook.pipeline.commands.terminal.herd_factors import factors
from herdbook.pipeline.commands.terminal.herd_returns import Clock, returns
from herdbook.pipeline.commands.terminal.herd_standing import standing
from herdbook.pipeline.commands.terminal.options import DEFAULT_STORE, Json, StoreFolder
from herdbook.pipeline.commands.terminal.verb_list import VerbList

if TYPE_CHECKING:
    from herdbook.pipeline.herd.lives import GroupLife, PartLife

ORDER = 47
BY_LOT = (
    "Of what was inspected, a repair that names a finding counting as confirmed; nobody drew it by lot, so it may be "
    "better or worse among the others. Herdbook's own campaign: herdbook rules."
)


def register(app: typer.Typer) -> None:
    group = typer.Typer(
        cls=VerbList, help="Ask of all vehicles: how long parts live, whether it is the batch, how right the rules are."
    )
    group.command(epilog="Example: herdbook herd life pack --by batch")(life)
    group.command(epilog="Example: herdbook herd returns --by batch --clock km")(returns)
    group.command(epilog="Example: herdbook herd course capacity --limit 80")(course)
    group.command(epilog="Example: herdbook herd standing ZB-0102")(standing)
    group.command(epilog='Example: herdbook herd campaign "firmware 2" --figure use')(campaign)
    group.command(epilog="Example: herdbook herd factors drag")(factors)
    group.command(epilog="Example: herdbook herd batches")(batches)
    group.command(epilog="Example: herdbook herd outcomes")(outcomes)
    group.command(epilog="Example: herdbook herd page --out pages")(page)
    app.add_typer(group, name="herd", epilog="Example: herdbook herd life pack --by batch")


def life(
    part: Annotated[str, typer.Argument(help='Kind of part, like "pack" or "motor"; "motor left" is one place.')],
    by: Annotated[str, typer.Option(help="Compare by batch or supplier; else all as one.")] = "",
    clock: Clock = "days",
    store: StoreFolder = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Say how long a kind of part lives, from the service book: survival, Weibull life, failures within 90 days.

    JSON: part, unit, until, groups (group, parts, lives, failures, unsaid, watched, median; times, survival, low, high,
    at_risk: Kaplan-Meier; weibull: scale, shape and their likelihood ends; ahead: expected, low, high), against
    (log-rank of each group and all others: chi2, p), left_out (lives of no length). Times are UTC.
    """
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.errors import NotKnownError, SettingsError
    from herdbook.pipeline.herd import clocks
    from herdbook.pipeline.herd.horizon import record_end
    from herdbook.pipeline.herd.lives import part_life
    from herdbook.pipeline.store.store import Store
    from herdbook.pipeline.times import utc_now

    if by not in ("", "batch", "supplier"):
        raise SettingsError(f"parts cannot be compared by {by!r}", do="Say --by batch or --by supplier")
    opened = Store.open(store)
    with opened.read() as con:
        found = part_life(con, part.lower(), by=by, unit=clocks.checked(clock), until=record_end(con, utc_now()))
    if found is None:
        do = "Enter what is fitted and removed: herdbook book add VEHICLE fitted --part ... --serial ..."
        raise NotKnownError(
            f"the service book knows no life of a {part!r}{' on record' if clock != clocks.DAYS else ''}", do=do
        )
    if json:
        screen.as_json(_as_dict(found))
        return
    rows = [_life_row(g) for g in found.groups]
    columns = (
        found.part,
        "lives",
        "failed",
        f"{found.unit} watched",
        "half live",
        "63 % fail by (95 %)",
        "shape (95 %)",
        "next 90 days",
    )
    screen.table(f"Lives of: {found.part}, in {found.unit}, to {found.until:%Y-%m-%d}", columns, rows)
    for group, test in zip(found.groups, found.against, strict=True):
        if test is not None and len(found.groups) > 1:
            far = test.p < 0.05 / len(found.groups)
            said = "they live unlike the others" if far else "no more than chance may give"
            screen.say(
                f"{group.group}: {test.seen} failed, {test.expected:.1f} expected if all lived alike (log-rank "
                f"p = {test.p:.2g}): {said}."
            )
    unsaid = sum(g.unsaid for g in found.groups)
    if unsaid:
        screen.say(
            f"Of {unsaid} removal{'s' * (unsaid != 1)} nobody said whether the part had failed; counted as failed. "
            "Say it with --outcome failed or sound."
        )
    if found.left_out:
        none = "anything on record" if clock != clocks.DAYS else "a whole day"
        screen.say(f"Left out, without {none}: {found.left_out} {'life' if found.left_out == 1 else 'lives'}.")
    screen.say(
        "What sat in vehicles before the book began is not in it. A shape over 1: the older, the more fail; under 1: "
        "the fewer."
    )


def _life_row(g: GroupLife) -> tuple[object, ...]:
    fit, median = g.fit, g.curve.median
    few = f"too few failed ({g.failures})"
    return (
        g.group,
        len(g.lives.exit),
        g.failures,
        round(g.watched),
        f"{median:.0f}" if median is not None else "more than half still live",
        f"{fit.scale:.0f} ({_end(fit.scale_low)} to {_end(fit.scale_high)})" if fit else few,
        f"{fit.shape:.2f} ({_end(fit.shape_low, 2)} to {_end(fit.shape_high, 2)})" if fit else few,
        f"{g.ahead[0]:.1f} ({g.ahead[1]} to {g.ahead[2]})" if g.ahead else "–",
    )


def _end(value: float | None, digits: int = 0) -> str:
    return "open" if value is None else f"{value:.{digits}f}"


def _as_dict(found: PartLife) -> dict[str, Any]:
    from dataclasses import asdict

    groups = [
        {
            "group": g.group,
            "parts": g.parts,
            "lives": len(g.lives.exit),
            "failures": g.failures,
            "unsaid": g.unsaid,
            "watched": g.watched,
            "median": g.curve.median,
            **{key: getattr(g.curve, key).tolist() for key in ("times", "survival", "low", "high", "at_risk")},
            "weibull": asdict(g.fit) if g.fit else None,
            "ahead": dict(zip(("expected", "low", "high"), g.ahead, strict=True)) if g.ahead else None,
        }
        for g in found.groups
    ]
    against = [{"chi2": t.chi2, "p": t.p} if t else None for t in found.against]
    return {
        "part": found.part,
        "unit": found.unit,
        "until": found.until,
        "groups": groups,
        "against": against,
        "left_out": found.left_out,
    }


def outcomes(store: StoreFolder = DEFAULT_STORE, json: Json = False) -> None:
    """Say how right the rules were on this fleet, by what inspections and repairs in the service book found.

    JSON: rules (rule, told, confirmed, refuted, open, precision, low, high: exact 95 %; warned: days from finding to
    complaint), complaints (of vehicles with logs), without_log (of others), unforeseen (complaints without a service
    finding in the year before).
    """
    from dataclasses import asdict

    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.herd import outcomes as judged
    from herdbook.pipeline.store.store import Store

    opened = Store.open(store)
    with opened.read() as con:
        rules, complaints = judged.outcomes(con)
    if json:
        screen.as_json(
            {
                "rules": [asdict(r) | {"precision": r.precision} for r in rules],
                "complaints": complaints.complaints,
                "without_log": complaints.without_log,
                "unforeseen": [asdict(e) for e in complaints.unforeseen],
            }
        )
        return
    rows = [
        (
            r.rule,
            r.told,
            r.confirmed,
            r.refuted,
            r.open,
            f"{100 * r.precision:.0f} % ({100 * r.low:.0f} to {100 * r.high:.0f})"
            if r.precision is not None
            else "not enough to say",
            f"{r.median_warning:.0f} days" if r.median_warning is not None else "–",
        )
        for r in rules
    ]
    columns = ("rule", "told", "confirmed", "refuted", "open", "right (95 %)", "before a complaint")
    screen.table("Rules by what people found", columns, rows, note=BY_LOT)
    if complaints.complaints:
        missed = complaints.unforeseen
        foreseen = complaints.complaints - len(missed)
        screen.say(
            f"Of {screen.plural(complaints.complaints, 'complaint')}, {foreseen} had a service or stop-use finding "
            "with evidence in the year before."
        )
        for e in missed[:10]:
            screen.point(f"{e.vehicle}, {e.when}: {e.said}")
    else:
        screen.say("No complaint of a vehicle with logs is entered, so nobody knows what the rules missed.")
    if complaints.without_log:
        some = screen.plural(complaints.without_log, "complaint")
        screen.say(f"{some} of vehicles without any log: nothing could have foreseen them.")


def page(
    out: Annotated[Path, typer.Option(help="File, or folder to put herd.html in.")] = Path("herd.html"),
    store: StoreFolder = DEFAULT_STORE,
) -> None:
    """Write herd.html: repairs by age, comparisons, courses of figures, months of findings, outcomes, on one page.

    `herdbook fleet --pages FOLDER` writes it too, linked from the fleet's page.
    """
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.reports.herd.herd_page import write_herd
    from herdbook.pipeline.store.store import Store

    screen.say(f"Herd page: {screen.place(write_herd(Store.open(store), out))}")
