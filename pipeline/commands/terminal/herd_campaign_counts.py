"""herdbook herd campaign --count: did a campaign make repairs, complaints or findings rarer?"""

from __future__ import annotations

from math import inf, isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from herdbook.pipeline.herd.campaign_counts import CampaignCounts
    from herdbook.pipeline.science.count_effect import CountEffect


def show_counts(what: str, counted: str, part: str, days: int, folder: Path | str, *, json: bool) -> None:
    """Ask and print. Raises: NotKnownError, SettingsError, StoreError."""
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.commands.terminal.herd_words import days_between
    from herdbook.pipeline.errors import SettingsError
    from herdbook.pipeline.herd.campaign_counts import REPAIRS, campaign_counts
    from herdbook.pipeline.herd.horizon import record_end
    from herdbook.pipeline.own.load import own_of
    from herdbook.pipeline.store.store import Store
    from herdbook.pipeline.times import utc_now

    if part and counted != REPAIRS:
        raise SettingsError("only repairs are told apart by part", do="Say --count repairs, or leave --part")
    store = Store.open(folder)
    rules = tuple(own_of(store).judging_rules())
    with store.read() as con:
        until = record_end(con, utc_now())
        found = campaign_counts(con, what, counted, part=part, days=float(days), until=until, rules=rules)
    if json:
        screen.as_json(_as_dict(found))
        return
    without = f"; {found.others} of the type without it" if found.watched else ""
    screen.say(
        f"{found.what}, by {found.known_by}: {screen.plural(found.got, 'vehicle')}, "
        f"{days_between(found.first, found.last)}{without}. Watched to {found.until:%Y-%m-%d}, the newest record."
    )
    named = [("the campaign", found.effect), *((f"{p.days_before:.0f} days before", p.effect) for p in found.placebos)]
    rows = [
        (
            name,
            _side(e.treated, e.before, e.after),
            _side(e.controls, e.control_before, e.control_after),
            _times(e.change),
            _times(e.control_change),
            _ratio(e),
        )
        for name, e in named
        if e is not None
    ]
    if rows:
        columns = ("date", "with", "without", "rate with", "rate without", "times as often (95 %)")
        note = (
            f"Counts of {days} days before → {days} after, the nearest day left out, of so many vehicles; rates by the "
            "time watched. Under 1: rarer. Lower rows, placebos: dates before, at which nothing was done."
        )
        screen.table(f"{found.counted[:1].upper()}{found.counted[1:]}", columns, rows, note=note)
    screen.say(f"{found.words[:1].upper()}{found.words[1:]}.")
    if found.got and not found.apart:
        screen.say("Who got it was hardly drawn by lot: something else that came to them alone would look the same.")


def _side(vehicles: int, before: float, after: float) -> str:
    return f"{_count(before)} → {_count(after)} of {vehicles}"


def _count(events: float) -> str:
    """Whole where there are many; of controls the mean over several dates may be a fraction."""
    return f"{events:.0f}" if events >= 100 else f"{events:.3g}"


def _times(change: float) -> str:
    return f"× {change:.2f}" if isfinite(change) else "–"


def _ratio(e: CountEffect) -> str:
    if not e.low and e.high == inf:
        return "cannot be told"
    value = f"{e.ratio:.2f}" if isfinite(e.ratio) else "–"
    return f"{value} ({e.low:.2f} to {'any' if e.high == inf else f'{e.high:.2f}'})"


def _as_dict(found: CampaignCounts) -> dict[str, Any]:
    from dataclasses import asdict

    def plain(effect: CountEffect | None) -> dict[str, Any] | None:
        if effect is None:
            return None
        return {key: value if isfinite(value) else None for key, value in asdict(effect).items()}

    names = ("what", "known_by", "counted", "days", "got", "first", "last", "until", "others", "apart", "words")
    placebos = [{"days_before": p.days_before, "effect": plain(p.effect)} for p in found.placebos]
    return {name: getattr(found, name) for name in names} | {"effect": plain(found.effect), "placebos": placebos}
