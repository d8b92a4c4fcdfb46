"""A cell chemistry is one file under chemistries/: its open-circuit curve and every figure that goes with it.

The file is checked when it is loaded, against FIGURES below: a key that is missing or unknown, a value that cannot be,
a curve that does not rise, a figure without its source are refused with file, key and what to do.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, get_origin, get_type_hints

import numpy as np

from herdbook.pipeline.errors import ProfileError
from herdbook.pipeline.science.ocv import Ocv

CHEMISTRIES = Path(__file__).with_name("chemistries")
OWN = ".chemistry.toml"  # how the name of a maker's own file ends, beside the profile
FLAT_V = 0.004  # per 1 % of charge: a fault of a few millivolts then is no difference in charge (engineering choice)
USUAL = "LFP"  # its figures stand in where a profile names no chemistry, or one without a file
# Why cells that many know have no file here, by words of their usual names.
NOT_HELD = {
    "sodium": "sodium-ion cells differ by half a volt from one positive electrode to the next, and only one published "
    "curve is at hand, of one kind",
    "titanate": "no published curve of such a cell is at hand",
    "other": "no published curve with its spread was put into a file yet",
}
_NAMED = {
    "sodium": ("SODIUM", "SODIUM-ION", "SODIUM_ION", "NA-ION", "NA_ION", "NAION", "SIB", "NVPF", "NIB"),
    "titanate": ("LTO", "TITANATE"),
    "other": ("NCA", "LCO", "LMO", "LMFP", "LFMP"),
}
TABLES = ("voltages", "temperatures", "typical_group")
COLUMNS = ("soc_pct", "middle_v", "sd_v")
Pair = tuple[float, float]


class ChemistryError(ProfileError):
    """A chemistry's file cannot be used, or there is none of that name."""


@dataclass(frozen=True, slots=True)
class About:
    """One figure of the file: what it means, its unit, what is possible, in which table it stands."""

    meaning: str
    unit: str
    low: float
    high: float
    table: str


def _volts(meaning: str, low: float = 0.5, high: float = 5.0) -> About:
    return About(meaning, "V", low, high, "voltages")


def _share(meaning: str) -> About:
    return About(meaning, "share of rated charge", 0.05, 0.6, "voltages")


def _warmth(meaning: str, low: float, high: float) -> About:
    return About(meaning, "degC", low, high, "temperatures")


def _energy(meaning: str) -> About:
    return About(meaning, "eV", 0.01, 2.0, "temperatures")


def _typical(unit: str, low: float, high: float, meaning: str) -> About:
    return About(meaning, unit, low, high, "typical_group")


@dataclass(frozen=True, slots=True, kw_only=True)
class Chemistry:
    """Voltages are of one group. A pair rises, a list too. source: of each figure and column of the curve, in words."""

    name: str
    version: int
    ocv: Ocv
    source: Mapping[str, str]
    plateau_v: Annotated[Pair, _volts("where voltage tells next to nothing about charge: from, to")]
    lower_knee_v: Annotated[Pair, _volts("where groups are compared near empty: from, to")]
    upper_knee_v: Annotated[Pair, _volts("where groups are compared near full: from, to")]
    lower_knee_share: Annotated[float, _share("how far from the start of a charge the lower knee may lie")]
    upper_knee_share: Annotated[float, _share("how far from the end of a charge the upper knee may lie")]
    full_v: Annotated[float, _volts("mean of the groups when a charge is complete")]
    short_of_full_v: Annotated[float, _volts("a charge whose median group ends under this ended early")]
    low_v: Annotated[float, _volts("a group under this is nearly empty")]
    deep_v: Annotated[float, _volts("a group at rest under this may be damaged for good")]
    over_v: Annotated[float, _volts("this far over its limit a group may be damaged for good", low=0.01, high=1.0)]
    sagged_v: Annotated[float, _volts("a pack whose groups stand under this in the mean may not feed its controller")]
    balance_start_v: Annotated[float, _volts("balancers work above this, where the profile does not say")]
    bands_v: Annotated[tuple[float, ...], _volts("bounds of the bands whose hours are counted")]
    regen_full_v: Annotated[
        float, _volts("from this highest group on a brake may give less, where the profile does not say")
    ]
    cell_min_v: Annotated[float, _volts("lowest of a group in use, where the profile does not say")]
    cell_max_v: Annotated[float, _volts("highest of a group in use, where the profile does not say")]
    cell_r_ea_ev: Annotated[float, _energy("activation energy of a group's resistance, where the profile does not say")]
    ageing_ea_ev: Annotated[float, _energy("activation energy of ageing, where the profile does not say")]
    warm_c: Annotated[float, _warmth("ages fast from here on", 20.0, 100.0)]
    charge_min_c: Annotated[float, _warmth("coldest for charging, where the profile does not say", -40.0, 30.0)]
    charge_max_c: Annotated[float, _warmth("hottest for charging, where the profile does not say", 20.0, 120.0)]
    discharge_min_c: Annotated[float, _warmth("coldest for discharge, where the profile does not say", -60.0, 30.0)]
    discharge_max_c: Annotated[float, _warmth("highest for discharge, where the profile does not say", 30.0, 120.0)]
    regen_cold_c: Annotated[float, _warmth("under this coldest sensor a brake may give less, likewise", -40.0, 30.0)]
    regen_hot_c: Annotated[float, _warmth("from this hottest sensor on a brake may give less, likewise", 20.0, 100.0)]
    typical_ah: Annotated[float, _typical("Ah", 0.1, 1000.0, "rated charge of a typical group")]
    typical_r10s_mohm: Annotated[float, _typical("mOhm", 0.01, 1000.0, "its resistance at 10 s, 25 degC")]
    typical_heat_j_per_k: Annotated[float, _typical("J/K", 1.0, 1e5, "its heat capacity")]
    typical_tau_s: Annotated[float, _typical("s", 10.0, 1e5, "time in which a pack of such groups cools to a third")]

    @property
    def flat(self) -> bool:
        """Whether the curve has a flat middle, between the ends of plateau_v, where groups stand together whatever
        their charge."""
        low, high = np.clip(self.plateau_v, self.ocv.middle_v[0], self.ocv.middle_v[-1])
        charge = np.interp([low, high], self.ocv.middle_v, self.ocv.soc_pct)
        return bool((high - low) / (charge[1] - charge[0]) < FLAT_V)


FIGURES: dict[str, tuple[Any, About]] = {
    key: (get_origin(hint.__origin__) or hint.__origin__, hint.__metadata__[0])
    for key, hint in get_type_hints(Chemistry, include_extras=True).items()
    if get_origin(hint) is Annotated
}
PAIRS = {"plateau_v", "lower_knee_v", "upper_knee_v"}


@cache
def chemistries() -> tuple[str, ...]:
    """Names of the shipped chemistries, in order."""
    return tuple(sorted(path.stem.upper() for path in CHEMISTRIES.glob("*.toml")))


def why_not_held(name: str) -> str:
    """What is to be said of a chemistry without a file: why it has none, or which one is meant; "" where nothing is
    known of the name."""
    word = name.strip().upper()
    if word.startswith(("NMC", "NCM")):
        return 'Write chemistry = "NMC": its file covers mixtures from 5:3:2 to 8:1:1'
    return next((NOT_HELD[kind] for kind, words in _NAMED.items() if word in words), "")


def chemistry(name: str) -> Chemistry:
    """A shipped chemistry by its name, "LFP", or a maker's own by the path of its file.

    Raises: ChemistryError when there is none, or its file is wrong.
    """
    if name.endswith(OWN):
        return _loaded(Path(name), Path(name).stat().st_mtime_ns if Path(name).exists() else 0)
    return _shipped(name)


@cache
def _shipped(name: str) -> Chemistry:
    path = CHEMISTRIES / f"{name.lower()}.toml"
    if name.upper() not in chemistries():
        known = ", ".join(chemistries())
        raise ChemistryError(
            f"no such chemistry: {name!r}", CHEMISTRIES, f"Known: {known}; a new one is one file there"
        )
    return _loaded(path, 0)


@cache
def _loaded(path: Path, _stamp: int) -> Chemistry:
    return load_chemistry(path)


def chemistry_of(pack: Mapping[str, object]) -> Chemistry:
    """The chemistry of a profile's [pack] table; the usual one where the table names none that has a file."""
    return named_chemistry(pack) or chemistry(USUAL)


def named_chemistry(pack: Mapping[str, object]) -> Chemistry | None:
    """The chemistry that a profile's [pack] table names; None where it names none that has a file."""
    name = str(pack.get("chemistry", ""))
    if name.endswith(OWN):
        return chemistry(name)
    return chemistry(name.upper()) if name.upper() in chemistries() else None


def chemistry_version(name: str) -> int:
    """The version that the chemistry's file gives itself; 0 when there is no such file."""
    known = named_chemistry({"chemistry": name})
    return known.version if known else 0


def ocv_of(pack: Mapping[str, object]) -> Ocv | None:
    """The open-circuit curve: the pack's own when its profile brings one, else its chemistry's; None when neither is
    known: a curve is not lent from another chemistry."""
    soc, volts = pack.get("ocv_soc_pct"), pack.get("ocv_v")
    if isinstance(soc, list) and isinstance(volts, list):
        given = pack.get("ocv_sd_v")
        sd = np.full(len(soc), given if isinstance(given, int | float | list) else 0.005, np.float64)
        return Ocv(np.array(soc, np.float64), np.array(volts, np.float64), sd, 0.0, "profile")
    known = named_chemistry(pack)
    return known.ocv if known else None


def load_chemistry(path: Path) -> Chemistry:
    """Read and check one file. Raises: ChemistryError with the key and what to do."""
    try:
        raw = tomllib.loads(path.read_text("utf-8"))
    except OSError as error:
        raise ChemistryError(f"cannot be read ({error.strerror})", path, "Check the path") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ChemistryError(f"is not TOML: {error}", path, "Correct that line") from None
    name, version = raw.pop("chemistry", None), raw.pop("version", None)
    stem = path.name.lower().removesuffix(OWN).removesuffix(".toml")
    if not isinstance(name, str) or name.lower() != stem:
        raise ChemistryError(f"chemistry = {name!r}", path, f'Write chemistry = "{stem.upper()}", as its file')
    if type(version) is not int or version < 1:
        raise ChemistryError(f"version = {version!r}", path, "Write version = 1, and raise it when a value changes")
    tables = {table: _table(raw, table, path) for table in ("curve", *TABLES)}
    if raw:
        raise ChemistryError(f"{min(raw)!r} is not known", path, f"Known: {', '.join(('curve', *TABLES))}")
    ocv, source = _curve(tables["curve"], f"{name} version {version}", path)
    values: dict[str, Any] = {}
    for key, (_, about) in FIGURES.items():
        values[key], source[key] = _figure(tables[about.table].pop(key, None), key, path)
    for table in TABLES:
        if tables[table]:
            raise ChemistryError(f"[{table}] {min(tables[table])} is not known", path, "Correct its name, or remove it")
    return Chemistry(name=name, version=version, ocv=ocv, source=source, **values)


def _table(raw: dict[str, Any], name: str, path: Path) -> dict[str, Any]:
    found = raw.pop(name, None)
    if not isinstance(found, dict):
        raise ChemistryError(f"[{name}] is missing", path, "Add that table; lfp.toml beside it shows how")
    return dict(found)


def _figure(said: object, key: str, path: Path) -> tuple[float | tuple[float, ...], str]:
    kind, about = FIGURES[key]
    where = f"[{about.table}] {key}"
    form = f'{key} = {{ value = ..., source = "..." }}: {about.meaning} [{about.unit}]'
    if not isinstance(said, dict) or set(said) != {"value", "source"}:
        raise ChemistryError(f"{where} is missing, or is not a value with its source", path, f"Write {form}")
    value = said["value"]
    numbers = value if isinstance(value, list) else [value]
    if not numbers or isinstance(value, list) != (kind is tuple) or (key in PAIRS and len(numbers) != 2):
        raise ChemistryError(f"{where} = {value!r} has the wrong form", path, f"Write {_shape(key)}: {about.meaning}")
    if not all(_number(x) and about.low <= x <= about.high for x in numbers):
        possible = f"{about.low:g} to {about.high:g} {about.unit}"
        raise ChemistryError(f"{where} = {value!r} cannot be", path, f"Write {about.meaning}, {possible}")
    if any(b <= a for a, b in pairwise(numbers)):
        raise ChemistryError(f"{where} = {value!r} does not rise", path, "Write the lower one first, each only once")
    return tuple(map(float, numbers)) if kind is tuple else float(value), _source(said["source"], where, path)


def _shape(key: str) -> str:
    return "two numbers, [from, to]" if key in PAIRS else "numbers in [ ]" if FIGURES[key][0] is tuple else "one number"


def _curve(table: dict[str, Any], name: str, path: Path) -> tuple[Ocv, dict[str, str]]:
    columns = {key: _column(table.pop(key, None), key, path) for key in COLUMNS}
    n = len(columns["soc_pct"])
    for key, column in columns.items():
        if len(column) != n:
            raise ChemistryError(
                f"[curve] {key} has {len(column)} values, soc_pct has {n}", path, "Give every column as many"
            )
        if key != "sd_v" and not (np.diff(column) > 0).all():
            k = int(np.argmin(np.diff(column) > 0)) + 1
            raise ChemistryError(
                f"[curve] {key} does not rise at its value {k + 1}, {column[k]:g}",
                path,
                "Each must be above the last",
            )
    for key, low, high in (("soc_pct", 0.0, 100.0), ("middle_v", 0.5, 5.0), ("sd_v", 1e-4, 1.0)):
        if columns[key].min() < low or columns[key].max() > high:
            raise ChemistryError(f"[curve] {key} leaves what can be", path, f"Write values from {low:g} to {high:g}")
    if (columns["soc_pct"][0], columns["soc_pct"][-1]) != (0.0, 100.0):
        raise ChemistryError("[curve] soc_pct does not go from 0 to 100", path, "Add the ends of the curve")
    gap, said = table.pop("half_gap_v", None), table.pop("source", None)
    if not _number(gap) or not 0.0 <= gap <= 0.2:
        raise ChemistryError(f"[curve] half_gap_v = {gap!r} cannot be", path, "Write a number of volts, 0 to 0.2")
    known = {*COLUMNS, "half_gap_v"}
    if not isinstance(said, dict) or set(said) != known:
        raise ChemistryError("[curve.source] is not complete", path, f"Say where each of {sorted(known)} is from")
    if table:
        raise ChemistryError(f"[curve] {min(table)} is not known", path, "Correct its name, or remove it")
    source = {key: _source(text, f"[curve.source] {key}", path) for key, text in said.items()}
    return Ocv(columns["soc_pct"], columns["middle_v"], columns["sd_v"], float(gap), name), source


def _column(said: object, key: str, path: Path) -> np.ndarray[Any, np.dtype[np.float64]]:
    if not isinstance(said, list) or len(said) < 3 or not all(map(_number, said)):
        raise ChemistryError(f"[curve] {key} is missing, or is not a row of numbers", path, "Write at least three")
    return np.array(said, np.float64)


def _source(said: object, where: str, path: Path) -> str:
    if not isinstance(said, str) or not said.strip():
        raise ChemistryError(
            f"{where} has no source",
            path,
            'Name a publication, or write "common practice", "engineering choice" or "from memory"',
        )
    return " ".join(said.split())


def _number(said: object) -> bool:
    return isinstance(said, int | float) and not isinstance(said, bool) and math.isfinite(said)
