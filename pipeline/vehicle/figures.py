"""The maker's figures of a vehicle: every key of the tables [vehicle], [pack] and [drive] of a profile, one line each.

A line says type, unit, what is possible, the default, the meaning and who reads it. Code asks for attributes
(`profile.pack_figures.rated_ah`), so that a misspelt key is found by the type checker and a default stands here alone.
The check of a profile, its messages and the list in dbc_demo/README.md are made from these lines.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Generic, Self, TypeVar, overload

if TYPE_CHECKING:
    from herdbook.pipeline.vehicle.chemistry import Chemistry

T = TypeVar("T")
TIMEOUT_MS = 250.0  # common practice: commands time out after 100 to 250 ms


class MissingFigureError(KeyError):
    """A figure that somebody cannot do without is not in the profile. args: what is missing, in words."""


class FigureLine(Generic[T]):
    """One key. T: what asking for it gives. low, high: possible, in unit; default: in words, "" when there is none.
    used_by: who reads it; "" when nothing does yet, and it is kept for people."""

    kind = "number"
    table = key = ""

    def __init__(
        self, unit: str, low: float, high: float, meaning: str, *, used_by: str = "", default: str = ""
    ) -> None:
        self.unit, self.low, self.high = unit, low, high
        self.meaning, self.used_by, self.default = meaning, used_by, default

    def __set_name__(self, owner: type[Figures], name: str) -> None:
        self.table, self.key = owner.table, name.rstrip("_")  # `from` is a word of Python

    @overload
    def __get__(self, figures: None, owner: type) -> Self: ...
    @overload
    def __get__(self, figures: Figures, owner: type) -> T: ...
    def __get__(self, figures: Figures | None, owner: type) -> Self | T:
        return self if figures is None else self.read(figures)

    def read(self, figures: Figures) -> T:
        raise NotImplementedError

    def wrong(self, value: object) -> str:
        """What is expected instead of this value of a profile, as in "a number, 0.1 to 2000 Ah"; "" when it can be."""
        fits = _number(value) and self.low <= float(value) <= self.high  # type: ignore[arg-type]
        return "" if fits else f"a number, {self.possible}"

    @property
    def possible(self) -> str:
        unit = "" if self.unit == "1" else f" {self.unit}"
        return f"{self.low:g} to {self.high:.9g}{unit}"

    def number(self, figures: Figures) -> float | None:
        found = figures.raw.get(self.key)
        return float(found) if isinstance(found, int | float) and not isinstance(found, bool) else None


def _number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


class Number(FigureLine["float | None"]):
    """None where the profile does not give it."""

    def read(self, figures: Figures) -> float | None:
        return self.number(figures)


class Whole(Number):
    """A count: a whole number."""

    kind = "whole number"

    def wrong(self, value: object) -> str:
        fits = not super().wrong(value) and float(value).is_integer()  # type: ignore[arg-type]
        return "" if fits else f"a whole number, {self.possible}"


class OfCell(Number):
    """A limit of the pack's cells: the chemistry's where the profile does not give it, None where it names none."""

    def __init__(self, *about: Any, used_by: str) -> None:
        super().__init__(*about, used_by=used_by, default="the chemistry's")

    def read(self, figures: Figures) -> float | None:
        from herdbook.pipeline.vehicle.chemistry import named_chemistry

        if (own := self.number(figures)) is not None or (known := named_chemistry(figures.raw)) is None:
            return own
        return float(getattr(known, self.key))


class Needed(FigureLine[float]):
    """Whoever asks cannot do without. Raises: MissingFigureError, naming profile, table and key."""

    def read(self, figures: Figures) -> float:
        if (found := self.number(figures)) is None:
            raise MissingFigureError(f"profile {figures.profile}: [{self.table}] {self.key} is missing or not a number")
        return found


class Usual(FigureLine[float]):
    """Something usual stands in where the profile does not give it."""

    def __init__(self, unit: str, low: float, high: float, meaning: str, **more: Any) -> None:
        self.otherwise: Callable[[Any], float] = more.pop("otherwise")
        super().__init__(unit, low, high, meaning, **more)

    def read(self, figures: Figures) -> float:
        found = self.number(figures)
        return self.otherwise(figures) if found is None else found


class Text(FigureLine[str]):
    """Words; empty where the profile gives none."""

    kind = "text"

    def __init__(self, meaning: str, used_by: str = "") -> None:
        super().__init__("", -math.inf, math.inf, meaning, used_by=used_by)

    def read(self, figures: Figures) -> str:
        found = figures.raw.get(self.key)
        return found if isinstance(found, str) else ""

    def wrong(self, value: object) -> str:
        return "" if isinstance(value, str) else "a text"


class Flag(FigureLine[bool]):
    """true or false; false where the profile does not say."""

    kind = "true or false"

    def __init__(self, meaning: str, used_by: str = "") -> None:
        super().__init__("", 0, 1, meaning, used_by=used_by, default="false")

    def read(self, figures: Figures) -> bool:
        return bool(figures.raw.get(self.key))

    def wrong(self, value: object) -> str:
        return "" if isinstance(value, bool) else "true or false"


class Numbers(FigureLine["tuple[float, ...]"]):
    """A row of numbers; empty where the profile gives none."""

    kind = "numbers"

    def read(self, figures: Figures) -> tuple[float, ...]:
        found = figures.raw.get(self.key)
        return tuple(map(float, found)) if isinstance(found, list) else ()

    def wrong(self, value: object) -> str:
        if not isinstance(value, list) or len(value) < 2 or not all(map(_number, value)):
            return f"a row of numbers in [ ], {self.possible}"
        if not all(self.low <= x <= self.high for x in value):
            return f"numbers, {self.possible}"
        return "" if all(a < b for a, b in pairwise(value)) else "numbers that rise, each above the last"


class Plan(FigureLine["tuple[tuple[str, ...], ...]"]):
    """Places seen from above, a text a row; empty where the profile gives none."""

    kind = "rows of texts"
    form = re.compile(r"T?[1-9]\d{0,2}|\.")

    def __init__(self, meaning: str, used_by: str = "") -> None:
        super().__init__("1", 1, 999, meaning, used_by=used_by)

    def read(self, figures: Figures) -> tuple[tuple[str, ...], ...]:
        found = figures.raw.get(self.key)
        return tuple(tuple(str(row).split()) for row in found) if isinstance(found, list) else ()

    def wrong(self, value: object) -> str:
        rows = (
            [row.split() for row in value] if isinstance(value, list) and all(isinstance(r, str) for r in value) else []
        )
        if not rows or not rows[0] or len({len(row) for row in rows}) != 1:
            return 'a row of texts in [ ], each with as many places, such as ["1 2 T1", "3 4 ."]'
        named = [place for row in rows for place in row if place != "."]
        odd = next((place for place in named if not self.form.fullmatch(place)), "")
        twice = next((place for place in named if named.count(place) > 1), "")
        if odd or twice:
            said = f"{odd} is none of them" if odd else f"{twice} stands there twice"
            return f"places such as 3 (a group), T2 (a sensor) and . (nothing), each once: {said}"
        return "" if any(place.startswith("T") for place in named) else "a plan with a sensor: T1, T2 and so on"


class Figures:
    """A table of a profile, read by attribute. raw: the table as TOML gives it; profile: its name, for messages."""

    table = ""

    def __init__(self, raw: Mapping[str, object], profile: str = "") -> None:
        self.raw, self.profile = raw, profile

    def given(self, *keys: str) -> bool:
        """Does the profile itself give all of these numbers?"""
        return all(isinstance(self.raw.get(key), int | float) for key in keys)

    @classmethod
    def lines(cls) -> Iterator[FigureLine[Any]]:
        return (line for line in vars(cls).values() if isinstance(line, FigureLine))


class VehicleFigures(Figures):
    table = "vehicle"
    maker = Text("who builds it")
    model = Text("what it is sold as", used_by="the history's head")
    kind = Text("what it is, in words")
    zone = Text('time zone of the place it is used in, such as "Europe/Vienna"', used_by="pages that show times")
    mass_kg = Number("kg", 5, 5000, "with usual rider and load", used_by="braking, road load")
    top_speed_kmh = Number("km/h", 1, 300, "as built", used_by="the check against logs")
    drag_area_m2 = Number("m2", 0.05, 10, "drag coefficient x frontal area", used_by="braking, road load")
    rolling = Number("1", 0.001, 0.2, "rolling resistance, force over weight", used_by="braking, road load")
    touch_max_c = Number("degC", 30, 120, "highest temperature of surfaces that a rider can reach")


class PackFigures(Figures):
    table = "pack"
    chemistry = Text(
        'its cells: "LFP", "NMC", or a file of your own beside the profile, "ours.chemistry.toml"',
        used_by="all that reads voltage as charge",
    )
    cells = Whole("1", 1, 400, "groups in series", used_by="sum of groups, restarts, voltage while braking")
    beside = Whole(
        *("1", 1, 16, "packs side by side, each with a current of its own, where not all of them are mapped"),
        used_by="energy per km, braking, the check against logs",
        default="1",
    )
    rated_ah = Needed("Ah", 0.1, 2000, "rated charge", used_by="nearly all of cells, pack, charging and thermal")
    cell_min_v = OfCell("V", 0.5, 5, "lowest of a group", used_by="voltage limits")
    cell_max_v = OfCell("V", 0.5, 5, "highest of a group", used_by="voltage limits, ends of charges")
    pack_max_v = Number(
        *("V", 1, 1500, "highest at the terminals"),
        used_by="voltage while braking, margins",
        default="`cells` x `cell_max_v`",
    )
    plan = Plan(
        "groups and sensors as seen from above, row by row: `3` a group, `T2` a sensor, `.` nothing",
        used_by="the dossier's sensors in their places",
    )
    charge_min_c = OfCell("degC", -60, 60, "coldest for charging", used_by="cold charging, margins")
    charge_max_c = OfCell("degC", 0, 120, "hottest for charging", used_by="margins")
    discharge_min_c = OfCell("degC", -60, 60, "coldest for discharging", used_by="margins")
    discharge_max_c = OfCell("degC", 0, 120, "hottest for discharging", used_by="margins, heat in use")
    temp_stop_c = Number("degC", 20, 150, "the main switch opens", used_by="limits of a live bus")
    max_charge_a = Number("A", 0.1, 2000, "highest charge current", used_by="margins")
    max_discharge_a = Number("A", 0.1, 5000, "highest discharge current", used_by="margins")
    charger_a = Usual(
        *("A", 0.1, 1000, "current of its charger"),
        used_by="heat while charging, offsets of groups",
        default="half of `rated_ah`",
        otherwise=lambda pack: 0.5 * pack.rated_ah,
    )
    charger_v = Number("V", 1, 1500, "voltage of its charger")
    charge_end_a = Number("A", 0.01, 500, "the charger stops below this", used_by="ends of charges, capacity")
    full_charge_min = Number("min", 1, 6000, "from empty to full")
    balance_start_v = Usual(
        *("V", 0.5, 5, "bleed resistors work above this"),
        used_by="balancing",
        default="`balance_start_v` of the chemistry",
        otherwise=lambda pack: pack.of_chemistry.balance_start_v,
    )
    balance_spread_v = Number("V", 0.0005, 0.5, "and only for groups this far above the lowest")
    bleed_ohm = Number("Ohm", 0.1, 10000, "one bleed resistor", used_by="balancing, self-discharge")
    bleed_a = Number(
        *("A", 0.001, 10, "bleed current, where the resistor is not known"),
        used_by="balancing",
        default="from `bleed_ohm`",
    )
    cell_r10s_mohm = Usual(
        *("mOhm", 0.01, 1000, "one group, 10 s pulse, 25 degC, mid charge"),
        used_by="offsets of groups, heat of the pack",
        default="by size, from the chemistry's typical group",
        otherwise=lambda pack: pack.of_chemistry.typical_r10s_mohm * pack.of_chemistry.typical_ah / pack.size_ah,
    )
    cell_r_ea_ev = Usual(
        *("eV", 0.01, 2, "activation energy of that resistance"),
        used_by="resistance at 25 degC, heat of the pack",
        default="`cell_r_ea_ev` of the chemistry",
        otherwise=lambda pack: pack.of_chemistry.cell_r_ea_ev,
    )
    ageing_ea_ev = Usual(
        *("eV", 0.01, 2, "activation energy of ageing"),
        used_by="hours at 25 degC that age as much",
        default="`ageing_ea_ev` of the chemistry",
        otherwise=lambda pack: pack.of_chemistry.ageing_ea_ev,
    )
    self_discharge_pct_month = Number("%", 0, 30, "self-discharge a month, standby included")
    sensors = Whole("1", 1, 400, "temperature sensors at cells")
    heat_capacity_j_per_k = Usual(
        *("J/K", 10, 1e7, "whole pack"),
        used_by="heat of the pack",
        default="by size, from the chemistry's typical group",
        otherwise=lambda pack: pack.typical_heat_j_per_k,
    )
    heat_loss_w_per_k = Usual(
        *("W/K", 0.01, 1000, "whole pack to the air"),
        used_by="heat of the pack",
        default="by size, from the chemistry's typical group",
        otherwise=lambda pack: pack.heat_capacity_j_per_k / pack.of_chemistry.typical_tau_s,
    )
    ocv_soc_pct = Numbers("%", 0, 100, "charges of its own open-circuit curve, rising", used_by="rests, capacity")
    ocv_v = Numbers("V", 0.5, 5, "its voltages, rising", used_by="rests, capacity")
    ocv_file = Text(
        "the same three columns as a CSV beside the profile: soc_pct, v and, if known, sd_v", "rests, capacity"
    )
    ocv_sd_v = Number("V", 0.0001, 1, "its standard error", used_by="rests, capacity", default="0.005")

    @property
    def of_chemistry(self) -> Chemistry:
        """The figures of its chemistry; of the usual one where it names none that is known."""
        from herdbook.pipeline.vehicle.chemistry import chemistry_of

        return chemistry_of(self.raw)

    @property
    def packs(self) -> int:
        """How many packs carry the vehicle side by side."""
        return int(self.beside or 1)

    @property
    def size_ah(self) -> float:
        """rated_ah, or a typical group's: for what must know an order of magnitude, and nothing else."""
        return float(self.raw["rated_ah"]) if self.given("rated_ah") else self.of_chemistry.typical_ah  # type: ignore[arg-type]

    @property
    def groups(self) -> float:
        """cells, or a dozen: likewise."""
        return self.cells or 12.0

    @property
    def typical_heat_j_per_k(self) -> float:
        """Heat capacity of a pack of this size made of typical groups."""
        usual = self.of_chemistry
        return usual.typical_heat_j_per_k * self.groups * self.size_ah / usual.typical_ah


class DriveFigures(Figures):
    table = "drive"
    motors = Whole("1", 1, 8, "motors that drive", used_by="the check against logs")
    motor_w = Number("W", 10, 1e6, "one motor, for long")
    pole_pairs = Whole("1", 1, 100, "pole pairs of a motor")
    gear = Number("1", 0.05, 100, "motor turns for one wheel turn", used_by="belt, encoder, road load")
    wheel_m = Number("m", 0.03, 3, "diameter of a driven wheel", used_by="belt, encoder, road load")
    torque_nm_per_a = Number("Nm/A", 0.001, 10, "per ampere of torque current, one motor", used_by="road load")
    max_motor_a = Usual(
        *("A", 0.1, 5000, "highest torque current, one motor"),
        used_by="braking nobody asked for, torque after release",
        default="none: those sets then use their least current alone",
        otherwise=lambda drive: 0.0,
    )
    winding_ohm = Number("Ohm", 0.0001, 100, "copper loss = 1.5 x this x current^2, at 20 degC", used_by="motor heat")
    winding_max_c = Number("degC", 40, 300, "highest of a winding", used_by="motor heat, margins, braking")
    winding_derate_c = Number("degC", 30, 300, "less current from here on", used_by="braking")
    fet_max_c = Number("degC", 30, 250, "highest of a power stage", used_by="power stage heat, margins, braking")
    fet_derate_c = Number("degC", 30, 250, "less current from here on", used_by="braking")
    winding_heat_capacity_j_per_k = Number("J/K", 1, 1e6, "one winding", used_by="motor heat")
    winding_heat_loss_w_per_k = Number("W/K", 0.001, 1000, "one winding", used_by="motor heat")
    trigger_timeout_ms = Usual(
        *("ms", 10, 10000, "torque must be gone this long after release or link loss"),
        used_by="torque after release, remote link",
        default="250",
        otherwise=lambda drive: TIMEOUT_MS,
    )
    brake_response_ms = Number("ms", 1, 10000, "command to half of the wanted current", used_by="late braking")
    coast_brake = Flag("it brakes on a released throttle by design", used_by="braking nobody asked for")
    dc_link_max_v = Number(
        *("V", 1, 1500, "highest at the DC link"),
        used_by="voltage while braking, margins",
        default="5 % over `cells` x `cell_max_v`",
    )
    regen_max_a = Number("A", 0.1, 5000, "most of braking current, pack side", used_by="braking")
    regen_soc_full_pct = Number("%", 0, 100, "charge up to which all of it flows", used_by="braking")
    regen_soc_zero_pct = Number("%", 0, 100, "charge from which nothing flows; straight between", used_by="braking")
    regen_cell_full_v = Number("V", 0.5, 5, "the same by the highest group: all of it", used_by="braking")
    regen_cell_zero_v = Number("V", 0.5, 5, "the same by the highest group: nothing", used_by="braking")
    regen_cold_full_c = Number("degC", -60, 60, "the same by the coldest sensor: all of it", used_by="braking")
    regen_cold_zero_c = Number("degC", -60, 60, "the same by the coldest sensor: nothing", used_by="braking")
    regen_hot_full_c = Number("degC", 0, 150, "the same by the hottest sensor: all of it", used_by="braking")
    regen_hot_zero_c = Number("degC", 0, 150, "the same by the hottest sensor: nothing", used_by="braking")
    regen_fade_full_kmh = Number("km/h", 0, 100, "the electric brake fades out below this", used_by="braking")
    regen_fade_zero_kmh = Number("km/h", 0, 100, "and is gone below this")
    regen_charge_limit = Flag("the pack's charge limit already holds these tapers", used_by="braking")


TABLES: dict[str, type[Figures]] = {t.table: t for t in (VehicleFigures, PackFigures, DriveFigures)}
