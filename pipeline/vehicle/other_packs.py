"""The [[other_pack]] tables of a profile: packs beside the first, held to the same checks as it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from herdbook.pipeline.vehicle.chemistry import named_chemistry
from herdbook.pipeline.vehicle.figures import PackFigures
from herdbook.pipeline.vehicle.figures_together import Maker, check_together
from herdbook.pipeline.vehicle.key_lines import Key
from herdbook.pipeline.vehicle.mapping import Mapping as RoleMapping
from herdbook.pipeline.vehicle.packs import PACK_ROLES, TABLE
from herdbook.pipeline.vehicle.problems import Findings
from herdbook.pipeline.vehicle.profile_checks import check_counts, check_roles, own_files, remarked
from herdbook.pipeline.vehicle.roles import ROLES

if TYPE_CHECKING:
    from herdbook.decoders import Network

OF_CELLS = ("chemistry", "ocv_soc_pct", "ocv_v", "ocv_file", "ocv_sd_v")  # who names another of these means all

SHARED = "Name the signal of this pack; if they share it, write shared = true into this entry"


@dataclass
class PackFindings(Findings):
    """What the checks say of one further pack: told with its number, at its own lines, among those of the profile."""

    of: Findings | None = None
    number: int = 2

    def __post_init__(self) -> None:
        assert self.of is not None
        self.errors, self.doubts = self.of.errors, self.of.doubts

    def _at(self, key: Key) -> Key:
        at: Key = (TABLE, self.number - 2)
        if key[:1] == ("roles",):
            return (*at, *key)
        return (*at, *key[1:]) if key[:1] == ("pack",) else at

    def wrong(self, key: Key, what: str, do: str = "") -> None:
        assert self.of is not None
        self.of.wrong(self._at(key), f"pack {self.number}: {_own(what)}", do)

    def doubt(self, key: Key, what: str, do: str = "") -> None:
        assert self.of is not None
        self.of.doubt(self._at(key), f"pack {self.number}: {_own(what)}", do)


def _own(what: str) -> str:
    """A key of [pack] as it is written for this pack."""
    return what.replace("[pack]", f"[[{TABLE}]]")


@dataclass(frozen=True, slots=True)
class FirstPack:
    """What a further pack is held against: the first's figures and roles, in the profile of this name."""

    profile: str
    pack: dict[str, object]
    roles: tuple[RoleMapping, ...]
    figures: Maker


@dataclass(frozen=True, slots=True)
class OwnPacks:
    """What further packs give of their own: where each is checked, and its figures; files: bytes that these lie in."""

    packs: tuple[tuple[PackFindings, dict[str, Any]], ...] = ()
    files: tuple[bytes, ...] = ()


def own_packs(table: Mapping[str, Any], folder: Path, found: Findings) -> OwnPacks:
    """table: the profile's, its keys checked."""
    packs, files = [], []
    for number, entry in enumerate(table.get(TABLE, ()), start=2):
        mine = PackFindings(found.lines, of=found, number=number)
        own, beside = own_files({k: v for k, v in entry.items() if k != "roles"}, folder, mine)
        packs.append((mine, own))
        files += beside
    return OwnPacks(tuple(packs), tuple(files))


def other_packs(
    own: OwnPacks, given: Mapping[str, Any], first: FirstPack, network: Network
) -> Iterator[tuple[dict[str, object], tuple[RoleMapping, ...]]]:
    """Figures and roles of each further pack. given: the profile's tables as they are written."""
    known: list[tuple[PackFindings, tuple[RoleMapping, ...]]] = []
    entries = given[TABLE] if own.packs else ()
    for (mine, figures), entry in zip(own.packs, entries, strict=True):
        pack = figures_of(first.pack, figures)
        table = own_roles(entry.get("roles"), mine)
        roles = check_roles(table, network, first.figures.drive.torque_nm_per_a, mine)
        check_counts({k: v for k, v in pack.items() if k != "beside"}, roles, mine)
        _check_figures(pack, first, mine)
        _check_apart([(1, first.roles), *((f.number, r) for f, r in known)], roles, table, mine)
        known.append((mine, roles))
        yield pack, roles


def own_roles(table: object, found: Findings) -> dict[str, Any]:
    """The roles of [other_pack.roles] that a pack can have; what else stands there is told."""
    if not isinstance(table, dict) or not table:
        what = f"[[{TABLE}]] maps nothing: without its signals it cannot be judged"
        found.wrong(("roles",), what, f"Map its signals under [{TABLE}.roles], each as in [roles]")
        return {}
    sound = {}
    for name, entry in table.items():
        if name == "pack_serial":
            found.wrong(("roles", name), "the serial of a further pack is not followed", "Leave it out")
        elif name in ROLES and name not in PACK_ROLES:
            what = f"{name} is a role of the vehicle, not of a pack"
            found.wrong(("roles", name), what, "Map it once, under [roles]")
        else:
            sound[name] = entry
    return sound


def figures_of(first: Mapping[str, object], own: Mapping[str, object]) -> dict[str, object]:
    """The figures of a further pack: its own, else the first's."""
    base = {k: v for k, v in first.items() if k not in OF_CELLS} if set(own) & set(OF_CELLS) else dict(first)
    return base | dict(own)


def _check_figures(pack: dict[str, object], first: FirstPack, found: PackFindings) -> None:
    """Figures that do not go together, as far as the first's did."""
    told: list[Findings] = []
    for figures in (first.pack, pack):
        told.append(Findings(found.lines))
        maker = Maker(first.figures.vehicle, PackFigures(figures, first.profile), first.figures.drive)
        check_together(maker, named_chemistry(figures), told[-1])
    before = {p.what for p in (*told[0].errors, *told[0].doubts)}
    for problem in told[1].errors:
        if problem.what not in before:
            found.wrong(("pack",), problem.what, problem.do)
    for problem in told[1].doubts:
        if problem.what not in before:
            found.doubt(("pack",), problem.what, problem.do)


def _check_apart(
    before: Iterable[tuple[int, tuple[RoleMapping, ...]]],
    roles: tuple[RoleMapping, ...],
    table: Mapping[str, object],
    found: PackFindings,
) -> None:
    """One signal, read in the same way, for two packs: a mapping that was copied and not changed."""
    seen = {_alike(m): (pack, m.role) for pack, some in before for m in some if m.role in PACK_ROLES}
    told: set[str] = set()
    for m in roles:
        if m.role not in told and (other := seen.get(_alike(m))) and not remarked(table.get(m.role), "shared"):
            told.add(m.role)
            what = f"{m.role} reads {m.words}, which is {other[1]} of pack {other[0]} already"
            found.wrong(("roles", m.role), what, SHARED)


def _alike(m: RoleMapping) -> str:
    return repr(replace(m, role="", item="", states={}, not_available=(), bit_names=()))
