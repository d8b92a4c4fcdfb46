"""What a name in a DBC file speaks of: its words, and the concepts they stand for."""

from __future__ import annotations

import re
from functools import cache

# By concept, the words and short forms that DBC files use for it. A word may stand for several.
_WORDS = {
    "pack": "pack batt battery bat hvb hvbat hvbatt accu akku accumulator ess ress traction trac batterypack",
    "bms": "bms bmu bcu bmc",
    "cell": "cell cells cel group grp gr module modul zelle cellv vcell ucell cellvolt cellvoltage zelle zellen zell",
    "voltage": "v u volt volts voltage vol vlt spannung vdc udc terminal spannung",
    "current": "i amp amps ampere current cur curr crnt strom idc",
    "temp": "t temp temps temperature tmp tempr therm thermistor probe ntc waerme temperatur",
    "speed": "speed spd velocity vel n rpm rev revs rotation omega v drehzahl geschwindigkeit",
    "rotation": "rpm rotation drehzahl",
    "soc": "soc fill ladestand ladezustand",
    "limit": "limit lim max maximum mx allowed allow permitted permissible available avail cap ccl dcl grenze "
    "grenzen frei zulaessig erlaubt",
    "min": "min mn minimum lowest low lo kleinste minimal",
    "max": "max mx maximum highest high hi peak groesste maximal",
    "mean": "avg average mean delta diff spread mittel mittelwert",
    "charge": "charge chg charging chrg chargelimit intake ccl regenlimit lade laden ladung",
    "discharge": "discharge dis disch dischg dchg dsg dischrg dch discharging output dcl entlade entladen entladung",
    "charger": "charger chgr obc chg chargeunit evse lader ladegeraet",
    "contactor": "contactor contactors cntct cntctr relay rly mainrelay mainswitch switch mr k1 schuetz "
    "hauptschuetz mainrelaystate",
    "state": "state status mode st stat sts zustand modus betriebsart",
    "fault": "fault faults flt error errors err alarm alarms failure dtc warning fehler stoerung",
    "insulation": "insulation isolation iso insul rins riso isolationswiderstand isowiderstand",
    "bleed": "bleed bleeding balance balancing bal balancer shunt equalize ausgleich",
    "board": "board pcb bms electronics bmstemp platine platinen",
    "ambient": "ambient amb air outside outdoor environment env ambtemp boxair umgebung umgebungs aussen",
    "motor": "motor mot mtr emachine machine em engine drivemotor m mcf mcr mcl maschine emaschine",
    "torque": "torque tq trq iq quadrature q moment drehmoment",
    "winding": "winding windings stator coil wicklung",
    "stage": "fet fets mosfet igbt inverter inv stage powerstage heatsink transistor endstufe wechselrichter "
    "umrichter leistungsteil",
    "link": "link dclink dc bus busbar zwischenkreis",
    "controller": "controller ctrl drv drive mcu vcu esc control motorcontroller antrieb steuergeraet regler",
    "uptime": "uptime runtime up upt operating ontime laufzeit betriebszeit",
    "time": "time seconds timer clock",
    "derate": "derate derating drt torqueallowed torqueshare reduction abregelung drosselung",
    "share": "share allowed ratio factor percent",
    "brake": "brake brk braking lever lvr bremse brems",
    "demand": "demand cmd command req rq rqst request want wanted ask asked target pos position set setpoint pedal "
    "lever lvr ref soll wunsch befehl anforderung input rider fahrer handlebar handle remote",
    "regen": "regen rgn regeneration recup recuperation regenerative rg regenbrake rekup rekuperation",
    "delivered": "delivered given actual act measured real ist",
    "throttle": "throttle thr gas accel accelerator pedal app twist gas gasgriff fahrpedal",
    "trigger": "trigger deadman dms enable ena armed hold freigabe totmann totmannschalter",
    "radio": "link radio rssi lq remote signal funk",
    "quality": "quality rssi lq strength pct guete",
    "age": "age rxage sinceupdate alter",
    "vehicle": "vehicle veh road ground wheel car scooter board bike trike machine fahrzeug fahrt trike",
    "odometer": "odometer odo mileage distance trip kmstand kilometerstand wegstrecke",
    "serial": "serial sn serialnumber ser seriennummer",
    "firmware": "firmware fw sw software swver softwareversion softwarestand",
    "hardware": "hardware hw hwver hardwareversion",
    "version": "version ver rev revision",
    "phase": "phase ph phasea phaseb phasec",
    "reserve": "reserved unused spare crc checksum counter count alive alv rolling dummy",
    "aux": "aux auxiliary 12v lv accessory logic supply ref reference vref cpu",
    "offset": "offset offs correction gain calibration zero",
    "power": "power pwr kw watt watts energy kwh wh",
    "count": "count counter cnt number num nr no idx index id anzahl",
    "code": "code codes cd",
    "left": "left l lh le li links",
    "right": "right r rh re rechts",
    "coolant": "coolant water oil fluid",
    "neutral": "value val signal sig msg data info meas measured reading raw frame can dat main total tot hv pack "
    "system sys veh x s paket packet kennung identity",
}
_OF_WORD: dict[str, frozenset[str]] = {}
for _concept, _some in _WORDS.items():
    for _word in _some.split():
        _OF_WORD[_word] = _OF_WORD.get(_word, frozenset()) | {_concept}
_LONG: dict[str, list[str]] = {}  # by first letter, the longest first
for _word in sorted((w for w in _OF_WORD if len(w) >= 3), key=len, reverse=True):
    _LONG.setdefault(_word[0], []).append(_word)
QUANTITY_LETTERS = frozenset("iutn")  # as formulas write current, voltage, temperature, speed of rotation
_SPLIT = re.compile(r"[A-Z]+(?=[A-Z][a-z])|[A-Z]?[a-z]+|[A-Z]+|\d+")


@cache
def words(name: str) -> tuple[str, ...]:
    """ "BMS_PackVoltage01" -> bms, pack, voltage, 01; letters run together are parted where all of it is known."""
    found: list[str] = []
    for piece in _SPLIT.findall(name.replace("SoC", "SOC").replace("SoH", "SOH")):
        word = piece.lower()
        found += [word] if word in _OF_WORD or word.isdigit() else _parted(word)
    return tuple(_joined(found))


def _parted(word: str) -> list[str]:
    if word[0] in QUANTITY_LETTERS and word[1:] in _OF_WORD and len(word) > 3:  # ilim, ubat, tmot
        return [word[0], word[1:]]
    out: list[str] = []
    rest = word
    while rest:
        known = next((w for w in _LONG.get(rest[0], ()) if rest.startswith(w)), "")
        if not known:
            tail = _OF_WORD.get(rest)
            return [*out, rest] if tail and out else [word]
        out.append(known)
        rest = rest[len(known) :]
    return out


def _joined(found: list[str]) -> list[str]:
    """State of charge, DC link and serial number are one thing each."""
    text = " ".join(found)
    for long, short in (
        ("state of charge", "soc"),
        ("charge state", "soc"),
        ("dc link", "dclink"),
        ("serial number", "serial"),
        ("serial no", "serial"),
        ("run time", "runtime"),
        ("up time", "uptime"),
        ("dead man", "deadman"),
        ("main switch", "mainswitch"),
        ("main relay", "mainrelay"),
        ("power stage", "powerstage"),
        ("heat sink", "heatsink"),
        ("torque allowed", "derate"),
        ("torque available", "derate"),
        ("drehmoment freigabe", "derate"),
        ("moment frei", "derate"),
        ("trq red", "derate"),
        ("since start", "uptime"),
        ("since power", "uptime"),
        ("km stand", "kmstand"),
        ("vehicle number", "vehicle serial"),
        ("pack number", "pack serial"),
        ("drive number", "drive serial"),
        ("fahrzeug nummer", "fahrzeug serial"),
        ("pack nummer", "pack serial"),
        ("antrieb nummer", "antrieb serial"),
    ):
        text = text.replace(long, short)
    return text.split()


@cache
def concepts(name: str) -> frozenset[str]:
    return frozenset().union(*(_OF_WORD.get(w, frozenset()) for w in words(name)))


def concepts_of(word: str) -> frozenset[str]:
    return _OF_WORD.get(word, frozenset())


@cache
def unknown_words(name: str) -> int:
    """Words that say something nobody here knows; numbers and single letters say nothing."""
    return sum(w not in _OF_WORD and not w.isdigit() and len(w) > 1 for w in words(name))
