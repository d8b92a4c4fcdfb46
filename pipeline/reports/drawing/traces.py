"""Signals of one vehicle for drawing: loaded, and put into words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.reports.words import names, numbers
from herdbook.pipeline.vehicle.roles import ROLES
from herdbook.pipeline.vehicle.signals import Signals

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store

POINTS = 2400  # a trace: twice the pixel columns of a wide figure
STEPPED = ("state", "bits", "1", "id")


def role_words(role: str) -> str:
    """cell_voltage -> Cell voltage."""
    text = names.role_words(role)
    return text[0].upper() + text[1:]


def item_words(item: int | str) -> str:
    return f"no. {item}" if isinstance(item, int) else str(item)


def load(store: Store, vehicle: str, start: int, end: int, roles: tuple[str, ...] | None, *, pack: int = 0) -> Signals:
    """The lake's samples of [start, end) microseconds UTC; roles unknown to this version are passed over. pack: which
    of several packs side by side; 0: all of them as one, where there are several."""
    from herdbook.pipeline.lake.packs import load_packs
    from herdbook.pipeline.lake.read import load_signals

    known = None if roles is None else [role for role in roles if role in ROLES]
    if pack == 1 or not _several_packs(store):
        return load_signals(store, vehicle, start, end, known)
    return load_packs(store, vehicle, start, end, known, pack)


def _several_packs(store: Store) -> bool:
    """Does any profile map more than one pack? Profiles that cannot be read are told by whoever reads by them."""
    try:
        return any(profile.others for profile in store.profiles())
    except HerdbookError:
        return False


def thinned_words(drawn: int, held: int) -> str:
    if drawn >= held:
        return f"Every sample is drawn ({numbers.plural(held, 'sample')})."
    return (
        f"Drawn: {drawn:,} of {held:,} samples; of every slice of time the lowest and the highest are kept, "
        "so no spike is lost."
    ).replace(",", "\u202f", 2)
