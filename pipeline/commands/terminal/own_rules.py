"""Rules and metrics of somebody's own on the terminal: which there are, which cannot be used, how they were tried."""

from __future__ import annotations

from pathlib import Path

from herdbook.pipeline.commands.terminal import screen
from herdbook.pipeline.errors import NotKnownError, SettingsError
from herdbook.pipeline.own.files import files_of
from herdbook.pipeline.own.load import NO_OWN, Own, load, own_of
from herdbook.pipeline.own.named import Named
from herdbook.pipeline.own.trial import try_own
from herdbook.pipeline.settings import read_settings
from herdbook.pipeline.store.store import Store


def found(store: Path, folder: Path | None) -> Own:
    """Of the store's settings, or of a folder that a person names now. A store that is not there has none.

    Raises: SettingsError.
    """
    if folder is not None:
        if not folder.is_dir():
            raise SettingsError("there is no such folder", folder, "Name the folder that holds rules/ and metrics/")
        return load(files_of(Named(folder.absolute())))
    return own_of(Store(store.absolute(), read_settings(store))) if store.is_dir() else NO_OWN


def origin(own: Own, rule: str) -> str:
    """Whose a rule is."""
    broken = {b.name: b.where for b in own.broken}
    return own.origins.get(rule) or (f"cannot be used: {broken[rule]}" if rule in broken else "Herdbook")


def listed(own: Own) -> None:
    """What there is besides rules, which stand in the list of all."""
    rows = [(name, own.origins[name], ", ".join(one.gives)) for name, one in own.sets.items()]
    rows += [(p.name.split(".")[0].upper(), "own chemistry", f'chemistry = "{p}"') for p in own.chemistries]
    if rows:
        screen.table("Metric sets and chemistries of your own", ("name", "what it is", "gives"), rows)
    if own.broken:
        lines = [(b.name, f"{b.kind} in {b.where}", b.why) for b in own.broken]
        screen.table("Cannot be used", ("name", "what it is", "why"), lines, note="All else is judged.")


def tried(own: Own, name: str, json: bool) -> int:
    """The exit code: 0 when all is as it should be, else 8. Raises: NotKnownError when there is nothing to try."""
    done = list(try_own(own, name))
    if not done:
        what = f"nothing of your own is called {name!r}" if name else "there are no rules of your own"
        raise NotKnownError(what, do="Name their folder: --own FOLDER, or [own] in herdbook.toml (herdbook help own)")
    bad = [t for t in done if t.wrong]
    if json:
        screen.as_json([{"name": t.name, "what": t.what, "wrong": t.wrong} for t in done])
        return 8 if bad else 0
    rows = [(t.name, t.what, t.wrong or "as it should be") for t in done]
    screen.table("Tried", ("name", "what", "result"), rows)
    screen.say(f"{screen.plural(len(bad), 'trial')} of {len(done)} failed." if bad else f"All {len(done)} passed.")
    return 8 if bad else 0
