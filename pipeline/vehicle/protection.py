"""Checksums and counters that a profile declares, for DBC files that do not: [protection] to message attributes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from herdbook.decoders import Network

# By key of the profile, the attribute of herdbook.decoders.integrity.checks that it stands for.
ATTRIBUTES = {
    "form": "E2EForm",
    "counter": "E2ECounter",
    "checksum": "E2EChecksum",
    "data_id": "E2EDataID",
    "data_id_mode": "E2EDataIDMode",
    "data_id_nibble": "E2EDataIDNibble",
    "data_id_list": "E2EDataIDList",
}
Protections = tuple[tuple[str, tuple[tuple[str, int | str], ...]], ...]  # message, then attribute and value


def protections(table: Mapping[str, object]) -> Protections:
    """The table of a profile as attributes by message. Raises: ValueError naming the entry."""
    found = []
    for message, entry in sorted(table.items()):
        if not isinstance(entry, dict) or "form" not in entry:
            raise ValueError(f'[protection] {message!r} needs a form, as in {{ form = "sae_j1850", ... }}')
        for key, value in entry.items():
            if key not in ATTRIBUTES or isinstance(value, bool) or not isinstance(value, int | str):
                raise ValueError(
                    f"[protection] {message!r}: {key} = {value!r} is not known; known: "
                    f"{', '.join(ATTRIBUTES)}, each text or a whole number"
                )
        found.append((message, tuple((ATTRIBUTES[key], value) for key, value in sorted(entry.items()))))
    return tuple(found)


def check_protections(network: Network) -> None:
    """Raises: NetworkError for one that cannot be followed."""
    from herdbook.decoders.integrity.checksum import protection_of

    for message in network.messages:
        protection_of(message)
