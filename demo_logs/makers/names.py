"""How makers name things: words in three vocabularies, put together in the manner of a maker."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

# role: (plain English, clipped English, German); {n} the number, {s} the side
WORDS: dict[str, tuple[str, str, str]] = {
    "pack_voltage": ("pack voltage", "batt u", "pack spannung"),
    "pack_current": ("pack current", "batt i", "pack strom"),
    "pack_soc": ("state of charge", "soc", "ladestand"),
    "charge_limit": ("charge current max", "chg lim", "lade grenze"),
    "discharge_limit": ("discharge current max", "dis lim", "entlade grenze"),
    "contactor_state": ("main relay state", "mr st", "schuetz zustand"),
    "bms_state": ("battery mode", "bms mode", "bms zustand"),
    "bms_fault": ("battery fault code", "bms err", "bms fehler"),
    "cell_voltage": ("cell {n} voltage", "u c{n}", "zelle {n} spannung"),
    "cell_temp": ("cell temp {n}", "t c{n}", "zell temp {n}"),
    "cell_bleed": ("balance {n}", "bal {n}", "ausgleich {n}"),
    "bms_temp": ("board temp", "t pcb", "platinen temp"),
    "ambient_temp": ("ambient temp", "t amb", "umgebungs temp"),
    "motor_speed": ("{s} motor speed", "n {s}", "drehzahl {s}"),
    "motor_current": ("{s} torque current", "iq {s}", "moment strom {s}"),
    "motor_temp": ("{s} winding temp", "t mot {s}", "wicklung temp {s}"),
    "fet_temp": ("{s} inverter temp", "t inv {s}", "endstufe temp {s}"),
    "dc_link_voltage": ("{s} link voltage", "u dc {s}", "zwischenkreis {s}"),
    "motor_fault": ("{s} motor fault", "err {s}", "motor fehler {s}"),
    "controller_fault": ("drive fault", "drv err", "antrieb fehler"),
    "controller_uptime": ("run time", "up t", "laufzeit"),
    "derate": ("torque available", "drt", "moment frei"),
    "brake_demand": ("brake request", "brk", "brems wunsch"),
    "regen_demand": ("regen wanted", "rg req", "rekup soll"),
    "regen_current": ("regen actual", "rg act", "rekup ist"),
    "regen_allowed": ("regen available", "rg max", "rekup frei"),
    "regen_state": ("regen mode", "rg st", "rekup zustand"),
    "throttle": ("throttle position", "thr", "gas wunsch"),
    "trigger": ("enable switch", "ena", "freigabe"),
    "link_quality": ("radio quality", "rssi pct", "funk guete"),
    "packet_age": ("command age", "rx age", "paket alter"),
    "vehicle_speed": ("vehicle speed", "v veh", "geschwindigkeit"),
    "odometer": ("trip total", "odo", "km stand"),
    "charger_voltage": ("charger voltage", "u chg", "lader spannung"),
    "charger_current": ("charger current", "i chg", "lader strom"),
    "charger_state": ("charger mode", "chg st", "lader zustand"),
    "vehicle_serial": ("vehicle number", "veh sn", "fahrzeug nummer"),
    "pack_serial": ("pack number", "batt sn", "pack nummer"),
    "controller_serial": ("drive number", "drv sn", "antrieb nummer"),
    "pack_firmware": ("battery software", "bms sw", "bms software"),
    "controller_firmware": ("drive software", "drv sw", "antrieb software"),
}
TOPICS = (  # message topics in the same three vocabularies
    ("battery", "bat", "akku"),
    ("limits", "lim", "grenzen"),
    ("cells", "cel", "zellen"),
    ("thermal", "tmp", "waerme"),
    ("balance", "bal", "ausgleich"),
    ("motor", "mot", "motor"),
    ("status", "sta", "zustand"),
    ("command", "cmd", "befehl"),
    ("brake", "brk", "bremse"),
    ("motion", "mov", "fahrt"),
    ("charger", "chg", "lader"),
    ("identity", "id", "kennung"),
)


@dataclass(frozen=True, slots=True)
class Manner:
    """vocabulary: which of the three. case: camel, snake, shout or pascal_snake. prefix: before every signal."""

    vocabulary: int
    case: str
    prefix: str
    sides: tuple[str, str]
    digits: int

    def name(self, text: str) -> str:
        words = (self.prefix + " " + text).split()
        if self.case == "camel":
            return "".join(w[:1].upper() + w[1:] for w in words)
        if self.case == "snake":
            return "_".join(w.lower() for w in words)
        if self.case == "shout":
            return "_".join(w.upper() for w in words)
        return "_".join(w[:1].upper() + w[1:] for w in words)

    def signal(self, role: str, item: int | str) -> str:
        number = f"{item:0{self.digits}d}" if isinstance(item, int) else ""
        side = self.sides[("left", "right").index(item)] if item in ("left", "right") else ""
        return self.name(WORDS[role][self.vocabulary].format(n=number, s=side))

    def message(self, topic: str, number: int) -> str:
        words = next(t for t in TOPICS if t[0] == topic)[self.vocabulary]
        return self.name(f"{words} {number}" if number else words)


def draw_manner(rng: np.random.Generator) -> Manner:
    return Manner(
        vocabulary=int(rng.integers(3)),
        case=str(rng.choice(["camel", "snake", "shout", "pascal_snake"])),
        prefix=str(rng.choice(["", "", "x", "veh", "s", "dat"])),
        sides=(("left", "right"), ("l", "r"), ("a", "b"), ("m1", "m2"))[int(rng.integers(4))],
        digits=int(rng.choice([1, 2])),
    )
