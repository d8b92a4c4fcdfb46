"""Roles of a further pack side by side, "pack_2_cell_voltage[7]", as the signals of the DBC that play them."""

from __future__ import annotations

import re
from collections.abc import Sequence

from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.store.statements import ask
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.vehicle.packs import PACK_ROLES, as_pack

_NAME = re.compile(r"pack_(?P<pack>\d+)_(?P<role>[a-z_]+)(?:\[(?P<item>[^\]]+)\])?")


def plain_names(store: Store, vehicle: str, names: Sequence[str]) -> list[str]:
    """The names, those of further packs as Message.Signal; what the vehicle's profile does not map stays as it is."""
    matches = [(name, _NAME.fullmatch(name)) for name in names]
    if not any(match for _, match in matches):
        return list(names)
    out: list[str] = []
    for name, match in matches:
        found = _signals(store, vehicle, match) if match and match["role"] in PACK_ROLES else []
        out += found or [name]
    return list(dict.fromkeys(out))


def _signals(store: Store, vehicle: str, match: re.Match[str]) -> list[str]:
    try:
        with store.read() as con:
            record = ask(con, __name__, "record", vehicle=vehicle)
        named = record[0]["profile"] if record else ""
        profile = next((p for p in reversed(store.profiles()) if p.name == named), None)
    except HerdbookError:
        return []
    pack = as_pack(profile, int(match["pack"])) if profile is not None else None
    mine = [m for m in pack.roles if m.role == match["role"]] if pack is not None else []
    of = [m for m in mine if not match["item"] or str(m.item) == match["item"]]
    return [f"{message}.{signal}" for m in of for message, signal in m.reads]
