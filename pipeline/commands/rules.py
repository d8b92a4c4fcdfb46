"""herdbook rules: what is judged, by which limits, from which sources."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from herdbook.pipeline.commands.terminal.options import DEFAULT_STORE, Json, StoreFolder

if TYPE_CHECKING:
    from herdbook.pipeline.health.rule import Rule

ORDER = 90


def register(app: typer.Typer) -> None:
    app.command(epilog="Example: herdbook rules regen_dropout")(rules)


def rules(
    rule: Annotated[
        str,
        typer.Argument(help="One rule in full; all when left out. `test` tries your own, `try RULE` other limits."),
    ] = "",
    name: Annotated[
        str, typer.Argument(help="After `test`: only this one of your own; after `try`: the rule.", show_default=False)
    ] = "",
    limit: Annotated[
        list[str] | None, typer.Option(help="After `try`: NAME=VALUE, a limit to try on the past; may come again.")
    ] = None,
    vehicle: Annotated[str, typer.Option(help="After `try`: on this vehicle alone.")] = "",
    profile: Annotated[Path | None, typer.Option(help="Show the limits as this profile sets them.")] = None,
    store: StoreFolder = DEFAULT_STORE,
    own: Annotated[
        Path | None,
        typer.Option(help="Folder of rules of your own, in place of the one that the store's settings name."),
    ] = None,
    json: Json = False,
) -> None:
    """List the health rules with their limits and sources, or explain one.

    Rules of your own are listed where the settings of the store name them (herdbook help own). `herdbook rules test`
    tries them: their form, their own cases, and every function test_... in their files; exit code 8 when one fails.

    `herdbook rules try RULE --limit NAME=VALUE` judges the stored past by another limit and writes nothing: which
    findings there would be more and less, and what the service book says of them. JSON then: rule, limits (name,
    in_force by profile, tried), vehicles, vehicle_days, in_force and tried (told, vehicles, by severity, confirmed,
    refuted, open, precision with exact 95 % ends, not_assessed), findings (vehicle, item, word, in_force, tried: t,
    severity, statement).
    """
    from herdbook.pipeline.commands.terminal import own_rules, screen
    from herdbook.pipeline.errors import NotKnownError, SettingsError

    if rule == "try":
        _try(store, name, limit or [], vehicle, json)
        return
    if limit or vehicle:
        raise SettingsError("--limit and --vehicle go with `try`", do="herdbook rules try RULE --limit NAME=VALUE")
    added = own_rules.found(store, own)
    if rule == "test":
        raise typer.Exit(own_rules.tried(added, name, json))
    if name:
        raise SettingsError(f"{rule!r} and then {name!r}", do="herdbook rules RULE, or herdbook rules test RULE")
    known = added.judging_rules()
    if rule and rule not in known:
        raise NotKnownError(f"no rule {rule!r}", do=f"Known: {', '.join(sorted(known))}")
    limits = limits_of(profile)
    chosen = [known[rule]] if rule else sorted(known.values(), key=lambda r: (r.subsystem, r.id))
    if json:
        screen.as_json([as_dict(r, limits) | {"origin": own_rules.origin(added, r.id)} for r in chosen])
    elif rule:
        explain(chosen[0], limits)
    else:
        rows = [(r.subsystem, r.id, r.severity, r.title) for r in chosen]
        screen.table(
            f"{len(rows)} rules",
            ("subsystem", "rule", "worst severity", "title"),
            rows,
            note="One in full: herdbook rules RULE",
        )
        own_rules.listed(added)


def _try(store: Path, rule: str, limits: list[str], vehicle: str, json: bool) -> None:
    from herdbook.pipeline.commands.terminal import screen, tried_limits
    from herdbook.pipeline.errors import SettingsError
    from herdbook.pipeline.herd.limits_tried import try_limits
    from herdbook.pipeline.store.store import Store

    if not rule:
        raise SettingsError("no rule is named", do="herdbook rules try RULE --limit NAME=VALUE")
    tried = try_limits(Store.open(store), rule, limits, vehicle)
    if json:
        screen.as_json(tried_limits.as_dict(tried))
    else:
        tried_limits.show(tried)


def limits_of(profile: Path | None) -> dict[str, float]:
    if profile is None:
        return {}
    from herdbook.pipeline.vehicle.profile import load_profile

    return load_profile(profile).limits


def as_dict(rule: Rule, own: dict[str, float]) -> dict[str, object]:
    limits = [
        {
            "name": x.name,
            "value": own.get(f"{rule.id}.{x.name}", x.value),
            "unit": x.unit,
            "why": x.why,
            "from": "profile" if f"{rule.id}.{x.name}" in own else "rule",
        }
        for x in rule.limits
    ]
    return {
        "rule": rule.id,
        "title": rule.title,
        "subsystem": rule.subsystem,
        "severity": rule.severity,
        "when": [{"severity": severity, "when": words, "order": order} for severity, words, order in conditions(rule)],
        "limits": limits,
        "meaning": rule.meaning,
        "causes": rule.causes,
        "bench": rule.bench,
        "cautions": rule.cautions,
        "roles": rule.roles,
        "metrics": rule.needs,
        "source": rule.source,
    }


def conditions(rule: Rule) -> list[tuple[str, str, str]]:
    """Which severity when, and what every page says then."""
    from herdbook.pipeline.health.voice import VOICES

    stated = rule.when or ((rule.severity, "whenever it finds something"),)
    return [(severity.value, words, VOICES[severity].order) for severity, words in stated]


def explain(rule: Rule, own: dict[str, float]) -> None:
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.reports.words import numbers

    screen.say(f"{rule.title}  ({rule.id}, {rule.subsystem}, at worst {rule.severity})", style="bold")
    screen.say(f"\n{rule.meaning}\n")
    rows = []
    for x in rule.limits:
        mine = own.get(f"{rule.id}.{x.name}")
        value, why = (x.value, x.why) if mine is None else (mine, "the profile")
        rows.append((x.name, value, numbers.unit(x.unit), why))
    screen.table("Limits", ("limit", "value", "unit", "why"), rows)
    screen.table("What it says, and when", ("severity", "when", "and then"), conditions(rule))
    lists = (("Likely causes", rule.causes), ("Next bench checks", rule.bench), ("Cautions", rule.cautions))
    for title, lines in lists:
        screen.say(f"\n{title}", style="bold")
        for line in lines or ("none",):
            screen.point(line, "  - ")
    screen.say(f"\nNeeds: {', '.join(rule.roles)}\nSource: {rule.source}")
