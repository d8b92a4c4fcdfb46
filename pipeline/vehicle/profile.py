"""The vehicle profile: one TOML file that tells the rules what is what. A new vehicle needs no Python.

    name = "board"           what the profile is called; the file's name without .toml when left out
    family = "board"         one family = the same vehicle at different firmware; the name when left out
    [valid]    from = 2026-03-01, to = 2026-09-01 (excluded); leave out what is open
    [vehicle]  maker, model, kind, zone = "Europe/Vienna", mass_kg (with usual rider), top_speed_kmh,
               drag_area_m2, rolling
    [pack]     chemistry = "LFP", cells = 12, rated_ah = 30.0, cell_min_v, cell_max_v, charge_min_c, ...
    [drive]    motors = 2, motor_w = 2000, pole_pairs, gear, wheel_m, torque_nm_per_a, ...
    [limits]   "<rule id>.<limit name>" = value      the maker's figure wins over the rule's default
    [[bus]]    channel = "can0" (a label; omit for any), dbc = "board.dbc" (relative to the profile),
               bit_rate = 500000, data_bit_rate = 2000000 (CAN FD): win over those of the DBC file; for the bus load;
               lenient = true: a DBC file with overlapping or impossible signals is used as far as it is sound
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

Units come from the DBC (or `unit = "..."` in the mapping) and are converted to the role's unit; an unknown
pair is an error at load. The profile is checked against its DBC files when loaded.
"""

from __future__ import annotations

import hashlib
import re
import tomllib
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from herdbook.pipeline.errors import ProfileError
from herdbook.pipeline.times import micros
from herdbook.pipeline.vehicle.dbc_signals import DbcSignals
from herdbook.pipeline.vehicle.figures import DriveFigures, PackFigures, VehicleFigures
from herdbook.pipeline.vehicle.protection import Protections, check_protections, protections
from herdbook.pipeline.vehicle.role_table import Mapping, Units, mappings

if TYPE_CHECKING:
    from herdbook.decoders import Network

__all__ = ["Mapping", "Profile", "load_profile", "load_profiles"]

TABLES = {"name", "family", "valid", "vehicle", "pack", "drive", "limits", "bus", "protection", "identity", "roles"}


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

    @property
    def vehicle_figures(self) -> VehicleFigures:
        return VehicleFigures(self.vehicle, self.name)

    @property
    def pack_figures(self) -> PackFigures:
        return PackFigures(self.pack, self.name)

    @property
    def drive_figures(self) -> DriveFigures:
        return DriveFigures(self.drive, self.name)

    def network(self) -> Network:
        """The DBC files as one network; loaded once a process."""
        return _network(self.buses, self.network_hash, self.protection, self.lenient)

    def covers(self, t: int) -> bool:
        """True when the profile is valid at t (microseconds UTC)."""
        after = self.valid_from is None or t >= self.valid_from
        return after and (self.valid_to is None or t < self.valid_to)


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
    """Every *.toml under folder, by name; sidecars of logs (x.log.toml), settings and hidden files are none.

    Raises: ProfileError for a bad one, none at all, or two of one name.
    """
    found = [load_profile(path) for path in sorted(Path(folder).glob("**/*.toml")) if _may_be_profile(path)]
    if not found:
        raise ProfileError("no vehicle profile found", folder, "Put a .toml and its DBC files there")
    names = [p.name for p in found]
    if twice := sorted({n for n in names if names.count(n) > 1}):
        raise ProfileError(f"two profiles are named {twice[0]!r}", folder, "Rename one of them")
    return sorted(found, key=lambda p: p.name)


def _may_be_profile(path: Path) -> bool:
    return not path.name.startswith(".") and path.name != "herdbook.toml" and len(path.suffixes) == 1


def load_profile(path: Path) -> Profile:
    """Read, check and convert one profile. Raises: ProfileError with the entry and what would be right."""
    path = Path(path)
    try:
        raw = path.read_bytes()
        table: dict[str, Any] = tomllib.loads(raw.decode("utf-8"))
    except OSError as error:
        raise ProfileError(f"cannot be read ({error.strerror})", path, "Check the path") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ProfileError(f"is not TOML: {error}", path, "Correct that line") from None
    try:
        return _checked(path, raw, table)
    except (ValueError, KeyError, TypeError) as error:
        raise ProfileError(str(error.args[0]), path, "Correct the profile") from None


def _checked(path: Path, raw: bytes, table: dict[str, Any]) -> Profile:
    if unknown := set(table) - TABLES:
        raise ValueError(f"table [{sorted(unknown)[0]}] is not known; known: {', '.join(sorted(TABLES))}")
    name = str(table.get("name", path.stem))
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}", name):
        raise ValueError(f"name {name!r} must be letters, digits, '.', '-', '_' (at most 64)")
    buses = _buses(path, table.get("bus"))
    dbc_bytes = b"\0".join(channel.encode() + b"\0" + dbc.read_bytes() for channel, dbc in buses)
    protection = protections(_table(table, "protection"))
    lenient = any(bool(entry.get("lenient")) for entry in table["bus"])
    said = repr((protection, lenient)).encode() if protection or lenient else b""
    network_hash = hashlib.sha256(dbc_bytes + said).hexdigest()
    units = _units(path, buses, network_hash, protection, lenient)
    dbc = DbcSignals.of(_network(buses, network_hash, (), lenient))
    torque = DriveFigures(_table(table, "drive"), name).torque_nm_per_a
    roles = tuple(mappings(_table(table, "roles"), units, dbc, torque))
    valid = table.get("valid", {})
    profile = Profile(
        name=name,
        path=path,
        vehicle=_table(table, "vehicle"),
        pack=_table(table, "pack"),
        drive=_table(table, "drive"),
        limits=_limits(table),
        buses=buses,
        identity={k: str(v) for k, v in _table(table, "identity").items()},
        roles=roles,
        hash=hashlib.sha256(raw + b"\0" + dbc_bytes).hexdigest(),
        network_hash=network_hash,
        family=str(table.get("family", name)),
        valid_from=_instant(valid, "from"),
        valid_to=_instant(valid, "to"),
        rates=_rates(table["bus"]),
        protection=protection,
        lenient=lenient,
    )
    _check_figures(profile)
    return profile


def _check_figures(profile: Profile) -> None:
    """What is cheap to get wrong and expensive to find later."""
    cells = [m.item for m in profile.roles if m.role == "cell_voltage"]
    if cells and "cells" in profile.pack and len(cells) != profile.pack["cells"]:
        raise ValueError(f"[pack] cells = {profile.pack['cells']}, but cell_voltage maps {len(cells)} groups")
    if "zone" in profile.vehicle:
        try:
            ZoneInfo(str(profile.vehicle["zone"]))
        except (KeyError, ValueError, OSError):
            zone = profile.vehicle["zone"]
            raise ValueError(f"[vehicle] zone {zone!r} is no time zone such as Europe/Vienna") from None
    if "path" in profile.identity:
        try:
            groups = re.compile(profile.identity["path"]).groupindex
        except re.error as error:
            raise ValueError(f"[identity] path is no pattern: {error}") from None
        if "vehicle" not in groups:
            raise ValueError("[identity] path needs a group (?P<vehicle>...)")
    form = profile.identity.get("vehicle", "{serial}")
    if not re.fullmatch(r"[^{}]*\{serial(:0?\d*d)?\}[^{}]*", form):
        raise ValueError('[identity] vehicle must hold {serial} once, as in "HB-{serial:05d}"')


def _buses(path: Path, entries: object) -> tuple[tuple[str, Path], ...]:
    if not isinstance(entries, list) or not entries:
        raise ValueError('no [[bus]]: name at least one DBC file, as in [[bus]] dbc = "board.dbc"')
    buses = []
    for entry in entries:
        dbc = path.parent / str(entry["dbc"])
        if not dbc.is_file():
            raise ValueError(f"[[bus]] dbc = {entry['dbc']!r}: no such file beside the profile")
        buses.append((str(entry.get("channel", "")), dbc.resolve()))
    return tuple(buses)


def _rates(entries: list[dict[str, Any]]) -> tuple[tuple[int | None, int | None], ...]:
    for entry in entries:
        for key in ("bit_rate", "data_bit_rate"):
            if key in entry and (not isinstance(entry[key], int) or not 1000 <= entry[key] <= 20_000_000):
                raise ValueError(f"[[bus]] {key} = {entry[key]!r} must be bits a second, such as 500000")
    return tuple((entry.get("bit_rate"), entry.get("data_bit_rate")) for entry in entries)


def _units(
    path: Path,
    buses: tuple[tuple[str, Path], ...],
    network_hash: str,
    protection: Protections,
    lenient: bool,
) -> Units:
    """Unit by (message, signal) over all buses, as the DBC files give them."""
    from herdbook.decoders import DecoderError

    try:
        messages = _network(buses, network_hash, (), lenient).messages
    except DecoderError as error:
        do = "Correct the DBC file" + ("" if lenient else ", or write lenient = true into its [[bus]]")
        raise ProfileError(f"its DBC files do not load: {error}", path, do) from None
    try:
        check_protections(_network(buses, network_hash, protection, lenient))
    except DecoderError as error:
        raise ProfileError(f"a protection cannot be followed: {error}", path, "Correct it here or there") from None
    return {(message.name, signal.name): signal.unit for message in messages for signal in message.signals}


def _table(table: dict[str, Any], key: str) -> dict[str, object]:
    found = table.get(key, {})
    if not isinstance(found, dict):
        raise ValueError(f"[{key}] must be a table")
    return found


def _limits(table: dict[str, Any]) -> dict[str, float]:
    limits = _table(table, "limits")
    for key, value in limits.items():
        if isinstance(value, bool) or not isinstance(value, int | float) or "." not in key:
            raise ValueError(f'[limits] {key!r} = {value!r} must be "<rule id>.<limit name>" = number')
    return {k: float(str(v)) for k, v in limits.items()}


def _instant(valid: dict[str, object], key: str) -> int | None:
    value = valid.get(key)
    if value is None:
        return None
    if isinstance(value, datetime):
        moment = value if value.tzinfo else value.replace(tzinfo=UTC)
    elif isinstance(value, date):
        moment = datetime.combine(value, time(), UTC)
    else:
        raise ValueError(f"[valid] {key} = {value!r} must be a date such as 2026-03-01")
    return micros(moment)
