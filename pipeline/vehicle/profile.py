"""The vehicle profile: one TOML file that tells the rules what is what. A new vehicle needs no Python.

    name = "board"           what the profile is called; the file's name without .toml when left out
    family = "board"         one family = the same vehicle at different firmware; the name when left out
    [valid]    from = 2026-03-01, to = 2026-09-01 (excluded); leave out what is open
    [vehicle]  maker, model, kind, zone = "Europe/Vienna" (of its pages; hours in logs: herdbook.toml or sidecar),
               mass_kg (with usual rider), top_speed_kmh, drag_area_m2, rolling
    [pack]     chemistry = "LFP" (or a file beside the profile, "ours.chemistry.toml"), cells = 12, rated_ah = 30.0,
               cell_min_v, cell_max_v, charge_min_c, ocv_file = "cell.csv" (its own curve), ...
    [drive]    motors = 2, motor_w = 2000, pole_pairs, gear, wheel_m, torque_nm_per_a, ...
    [[other_pack]]   one for each further pack beside the first: figures where they differ from [pack], and
               [other_pack.roles], its own signals
    [limits]   "<rule id>.<limit name>" = value      the maker's figure wins over the rule's default
    [[bus]]    channel = "can0|1" (its labels in logs; omit for any), dbc = "board.dbc" (relative to the profile),
               bit_rate = 500000, data_bit_rate = 2000000 (CAN FD): win over those of the DBC file; for the bus load;
               lenient = true: a DBC file that contradicts itself or has bad lines is used as far as it is sound;
               .arxml, .kcd and .sym files are read too
    [protection]  "BMS_Pack" = { form = "e2e_p1", counter = "Count", checksum = "Crc", data_id = 291 }   wins over the
               DBC file's own; also data_id_mode, data_id_nibble, data_id_list: see decoders/integrity/checks.py
    [identity] path = "(?P<vehicle>[A-Z]{2}-\\d+)"    optional pattern on the file's path
               vehicle = "HB-{serial:05d}"    optional: how a serial from the bus is written; else its digits
    [roles]
    pack_voltage = "BMS_Pack.PackVoltage"
    pack_current = { signal = "BAT_Main.Current", scale = -1 }               sign: A positive on charge
    cell_voltage = { signal = "BMS_Cells.Cell{n:02d}_V", n = "1..12" }
    cell_bleed   = { signal = "BMS_Bal.Mask", n = "1..12", first_bit = 0 }   a bit field
    motor_temp   = { left = "MOT_L.Winding", right = "MOT_R.Winding" }
    regen_state  = { signal = "DRV_Brake.RegenState", states = { 0 = "idle", 1 = "active" } }
    throttle     = { value = "max(DRV.Torque, 0)", unit = "%" }              more forms: dbc_demo/README.md

Units come from the DBC (or `unit = "..."` in the mapping) and are converted to the role's unit. The profile is checked
against itself and its DBC files when loaded; every mistake is told at once, with its line. All keys with their units:
dbc_demo/README.md.
"""

from __future__ import annotations

import hashlib
import math
import re
import tomllib
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from herdbook.pipeline.errors import ProfileError
from herdbook.pipeline.times import instant
from herdbook.pipeline.vehicle.chemistry import named_chemistry
from herdbook.pipeline.vehicle.fault_codes import is_code
from herdbook.pipeline.vehicle.figures import DriveFigures, PackFigures, VehicleFigures
from herdbook.pipeline.vehicle.figures_together import Maker, check_together
from herdbook.pipeline.vehicle.key_lines import KeyLines
from herdbook.pipeline.vehicle.other_packs import FirstPack, other_packs, own_packs
from herdbook.pipeline.vehicle.packs import PACK_ROLES
from herdbook.pipeline.vehicle.problems import Findings, Problem, ProfileProblems, in_order, nearest
from herdbook.pipeline.vehicle.profile_checks import check_counts, check_identity, check_roles, check_valid, own_files
from herdbook.pipeline.vehicle.profile_tables import check_keys
from herdbook.pipeline.vehicle.protection import Protections, check_protections, protections
from herdbook.pipeline.vehicle.refused_profile import RefusedProfile, refused, valid_at
from herdbook.pipeline.vehicle.role_table import Mapping

if TYPE_CHECKING:
    from herdbook.decoders import Network

__all__ = ["Mapping", "Profile", "load_profile", "load_profiles", "sound_profiles"]

MOST_BYTES = 1_000_000  # engineering choice: hundreds of times what is usual


@dataclass(frozen=True, slots=True)
class Profile:
    """A checked profile. Tables keep their TOML keys, profile.pack["rated_ah"]; their figures, typed and with what is
    usual where one is missing, are read as profile.pack_figures.rated_ah."""

    name: str
    path: Path
    vehicle: dict[str, object]
    pack: dict[str, object]
    drive: dict[str, object]
    limits: dict[str, float]
    buses: tuple[tuple[str, Path], ...]  # (channel label or "", DBC file)
    identity: dict[str, str]
    roles: tuple[Mapping, ...]
    hash: str  # over the TOML and the DBC files
    network_hash: str = ""  # over the DBC files alone
    family: str = ""
    valid_from: int | None = None  # microseconds UTC
    valid_to: int | None = None
    rates: tuple[tuple[int | None, int | None], ...] = ()  # of each bus, as the profile says [bit/s]
    protection: Protections = ()
    lenient: bool = False
    doubts: tuple[Problem, ...] = ()  # what is unusual in it: told, not refused
    number: int = 1  # of the pack that it reads, where several stand side by side
    others: tuple[Profile, ...] = ()  # by which the further packs are read, each a profile of its own (packs.py)
    whole: Profile | None = None  # by which all packs together are judged, where they can be

    @property
    def vehicle_figures(self) -> VehicleFigures:
        return VehicleFigures(self.vehicle, self.name)

    @property
    def pack_figures(self) -> PackFigures:
        return PackFigures(self.pack, self.name)

    @property
    def drive_figures(self) -> DriveFigures:
        return DriveFigures(self.drive, self.name)

    def fault_name(self, role: str, item: str, bit: int) -> str:
        """A bit of a fault word as a person reads it: "bit 3 (over voltage)", "code 17 (over voltage)" where the signal
        says codes; without the maker's words where the files do not say."""
        named = (m.bit_words for m in self.roles if m.role == role and str(m.item) == item)
        words = next(named, {}).get(bit)
        if words and is_code(words):
            return words
        return f"bit {bit} ({words})" if words else f"bit {bit}"

    def network(self) -> Network:
        """The DBC files as one network; loaded once a process."""
        return _network(self.buses, self.network_hash, self.protection, self.lenient)

    def covers(self, t: int) -> bool:
        """True when the profile is valid at t (microseconds UTC)."""
        return valid_at(t, self.valid_from, self.valid_to)


@lru_cache(maxsize=64)
def _network(
    buses: tuple[tuple[str, Path], ...],
    network_hash: str,
    protection: Protections,
    lenient: bool,
) -> Network:
    from herdbook.decoders import Network

    labelled = any(channel for channel, _ in buses)
    network = Network.load([(channel, path) if labelled else path for channel, path in buses], lenient)
    return network.declared({message: dict(said) for message, said in protection})


def load_profiles(folder: Path) -> list[Profile]:
    """Every profile under folder, by name. Raises: ProfileError for a bad one, none at all, or two of one name."""
    sound, bad = sound_profiles(folder)
    if bad:
        raise bad[0].error
    return sound


def sound_profiles(folder: Path) -> tuple[list[Profile], list[RefusedProfile]]:
    """Every *.toml under folder, by name; sidecars of logs (x.log.toml), settings and hidden files are none. The second
    list: those that are wrong, and those of which two have one name.

    Raises: ProfileError where none is sound.
    """
    found, bad = [], []
    for path in sorted(Path(folder).glob("**/*.toml")):
        if _may_be_profile(path):
            try:
                found.append(load_profile(path))
            except ProfileError as error:
                bad.append(refused(path, error))
    names = Counter(p.name for p in found)
    for profile in (p for p in found if names[p.name] > 1):
        twice = ProfileError(f"two profiles are named {profile.name!r}", folder, "Rename one of them")
        bad.append(refused(profile.path, twice))
    sound = sorted((p for p in found if names[p.name] == 1), key=lambda p: p.name)
    if not sound:
        raise (
            bad[0].error
            if bad
            else ProfileError("no vehicle profile found", folder, "Put a .toml and its DBC files there")
        )
    return sound, bad


def _may_be_profile(path: Path) -> bool:
    return not path.name.startswith(".") and path.name != "herdbook.toml" and len(path.suffixes) == 1


def load_profile(path: Path) -> Profile:
    """Read, check and convert one profile. Raises: ProfileError; ProfileProblems with every mistake and its line."""
    profile, found = examine(path)
    if found.errors or profile is None:
        raise ProfileProblems(in_order(found.errors), path)
    return profile


def examine(path: Path) -> tuple[Profile | None, Findings]:
    """A profile and all that was found in it; None where so much is wrong that there is none.

    Raises: ProfileError when the file cannot be read at all.
    """
    path = Path(path)
    try:
        if path.stat().st_size > MOST_BYTES:
            raise ProfileError("is larger than 1 MB, which no profile is", path, "Look at what wrote it")
        raw = path.read_bytes()
        text = raw.decode("utf-8")
        table: dict[str, Any] = tomllib.loads(text)
    except OSError as error:
        raise ProfileError(f"cannot be read ({error.strerror})", path, "Check the path") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ProfileError(f"is not TOML: {error}", path, "Correct that line") from None
    found = Findings(KeyLines(text))
    return _checked(path, raw, table, found), found


def _checked(path: Path, raw: bytes, given: dict[str, Any], found: Findings) -> Profile | None:
    table = check_keys(given, found)
    name = str(table.get("name", path.stem))
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}", name):
        found.wrong(("name",), f"name {name!r} must be letters, digits, '.', '-', '_' (at most 64)")
    pack, beside = own_files(table.get("pack", {}), path.parent, found)
    own = own_packs(table, path.parent, found)
    buses = _buses(path, table.get("bus"), found)
    protection = _protection(table, found)
    lenient = any(entry.get("lenient", False) for entry in table.get("bus", ()))
    dbc_bytes = b"\0".join(channel.encode() + b"\0" + dbc.read_bytes() for channel, dbc in buses)
    said = repr((protection, lenient)).encode() if protection or lenient else b""
    network_hash = hashlib.sha256(dbc_bytes + said).hexdigest()
    network = _loaded(buses, network_hash, protection, lenient, found) if buses else None
    torque = DriveFigures(table.get("drive", {}), name).torque_nm_per_a
    valid = table.get("valid", {})
    profile = Profile(
        name=name,
        path=path,
        vehicle=table.get("vehicle", {}),
        pack=pack,
        drive=table.get("drive", {}),
        limits=_limits(table, found),
        buses=buses,
        identity=table.get("identity", {}),
        roles=check_roles(given.get("roles", {}), network, torque, found) if network else (),
        hash=hashlib.sha256(b"\0".join([raw, dbc_bytes, *beside, *own.files])).hexdigest(),
        network_hash=network_hash,
        family=str(table.get("family", name)),
        valid_from=instant(valid.get("from")),
        valid_to=instant(valid.get("to")),
        rates=tuple((entry.get("bit_rate"), entry.get("data_bit_rate")) for entry in table.get("bus", ())),
        protection=protection,
        lenient=lenient,
    )
    check_identity(table, profile.roles, found)
    if network:
        profile = _with_others(profile, other_packs(own, given, _first(profile), network))
    check_valid(profile.valid_from, profile.valid_to, found)
    if network:
        check_counts(profile.pack, profile.roles, found, 1 + len(profile.others))
    maker = Maker(profile.vehicle_figures, profile.pack_figures, profile.drive_figures)
    check_together(maker, named_chemistry(profile.pack), found)
    return replace(profile, doubts=tuple(in_order(found.doubts))) if network else None


def _first(profile: Profile) -> FirstPack:
    figures = Maker(profile.vehicle_figures, profile.pack_figures, profile.drive_figures)
    return FirstPack(profile.name, profile.pack, profile.roles, figures)


def _with_others(first: Profile, others: Iterable[tuple[dict[str, object], tuple[Mapping, ...]]]) -> Profile:
    """The profile with its further packs, each as figures and roles; as it is where there are none."""
    given = list(others)
    if not given:
        return first
    packs = max(first.pack_figures.packs, 1 + len(given))
    first = replace(first, pack={**first.pack, "beside": packs})
    shared = tuple(m for m in first.roles if m.role not in PACK_ROLES)
    made = [
        replace(first, pack={**pack, "beside": packs}, roles=(*shared, *roles), number=number)
        for number, (pack, roles) in enumerate(given, start=2)
    ]
    return replace(first, others=tuple(made), whole=_joined(first, made))


def _joined(first: Profile, others: list[Profile]) -> Profile | None:
    """The packs as one, as large as all together, by which what concerns the vehicle as a whole is judged; None where
    not all are mapped, or their cells differ: then what joins packs and drive is not judged."""
    every = [first, *others]
    if len(every) < first.pack_figures.packs or not all(_same_cells(first, p) for p in others):
        return None
    sizes = [_rated_ah(p) for p in every]
    known = [x for x in sizes if x is not None]
    pack = {**first.pack, "beside": 1} | ({"rated_ah": sum(known)} if len(known) == len(sizes) else {})
    return replace(first, pack=pack)


def _rated_ah(profile: Profile) -> float | None:
    figures = profile.pack_figures
    return figures.rated_ah if figures.given("rated_ah") else None


def _same_cells(one: Profile, other: Profile) -> bool:
    kinds = [(p.pack_figures.of_chemistry, p.pack_figures.cells, p.pack_figures.cell_max_v) for p in (one, other)]
    return kinds[0] == kinds[1]


def _buses(path: Path, entries: list[dict[str, Any]] | None, found: Findings) -> tuple[tuple[str, Path], ...]:
    """Channel and DBC file of each bus; none where one is missing: roles cannot be checked against the rest."""
    if not entries:
        if entries is None:
            found.wrong(("bus",), "no [[bus]]", 'Name at least one DBC file, as in [[bus]] dbc = "board.dbc"')
        return ()
    buses = []
    for number, entry in enumerate(entries):
        dbc = path.parent / str(entry.get("dbc", ""))
        if dbc.is_file():
            buses.append((str(entry.get("channel", "")), dbc.resolve()))
        elif "dbc" in entry:
            there = [p.name for p in path.parent.glob("*.dbc")]
            what = f"[[bus]] dbc = {entry['dbc']!r}: no such file beside the profile"
            found.wrong(("bus", number, "dbc"), what, nearest(str(entry["dbc"]), there))
    return tuple(buses) if len(buses) == len(entries) else ()


def _protection(table: dict[str, Any], found: Findings) -> Protections:
    out: list[Any] = []
    for message, entry in table.get("protection", {}).items():
        try:
            out += protections({message: entry})
        except ValueError as error:
            found.wrong(("protection", message), str(error))
    return tuple(sorted(out))


def _loaded(
    buses: tuple[tuple[str, Path], ...], network_hash: str, protection: Protections, lenient: bool, found: Findings
) -> Network | None:
    """The DBC files as one network; None where they do not load."""
    from herdbook.decoders import DecoderError, NetworkError

    try:
        network = _network(buses, network_hash, (), lenient)
    except NetworkError as error:
        helps = not lenient and error.lenient_helps and _loads_leniently(buses, network_hash)
        do = "Correct the DBC file" + (", or write lenient = true into its [[bus]]" if helps else "")
        said = str(error).split(" Mend the file, or load it")[0]
        found.wrong(("bus", 0), f"its DBC files do not load: {said}", do)
        return None
    try:
        check_protections(_network(buses, network_hash, protection, lenient))
    except (DecoderError, KeyError) as error:
        found.wrong(
            ("protection",),
            f"a protection cannot be followed: {error.args[0] if error.args else error}",
            "Correct it here or there",
        )
    return network


def _loads_leniently(buses: tuple[tuple[str, Path], ...], network_hash: str) -> bool:
    """Advice is given where it has been seen to work."""
    from herdbook.decoders import DecoderError

    try:
        return bool(_network(buses, network_hash, (), True).messages)
    except DecoderError:
        return False


def _limits(table: dict[str, Any], found: Findings) -> dict[str, float]:
    """The numbers of [limits]; which rules and limits there are is checked where rules are known (health)."""
    limits = {}
    for key, value in table.get("limits", {}).items():
        if isinstance(value, bool) or not isinstance(value, int | float) or "." not in key or not math.isfinite(value):
            found.wrong(("limits", key), f'[limits] {key!r} = {value!r} must be "<rule id>.<limit name>" = number')
        else:
            limits[key] = float(value)
    return limits
