"""Cautions printed with findings about packs, heat and brakes. Own words; each with where it comes from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.voice import gravest, order_of


@dataclass(frozen=True, slots=True)
class Caution:
    text: str
    source: str


GENERAL = Caution(
    "These pages are written by a batch run after the fact. They are no safety system: they can neither warn in "
    "time nor prevent anything. A good score is no proof that a vehicle is safe.",
    "engineering choice",
)

BRAKE = Caution(
    "Brakes are for a qualified person to inspect. Clearing a fault code or updating software does not clear a brake "
    "finding.",
    "engineering choice",
)

DRIVE = Caution(
    "The vehicle may drive without being asked to. Lift the driven wheels off the ground before any test under power.",
    "common practice",
)

PACK = (
    Caution(
        "Stop using a pack that smells, leaks, smokes, swells, changes colour, gets too hot or no longer holds "
        "charge. Move away from it and call the fire service; do not wait for a second opinion from data.",
        "fire-safety tips for lithium-ion batteries of the NFPA",
    ),
    Caution(
        "A pack cannot be switched off: its cells keep their voltage and can drive thousands of amperes into a "
        "short circuit. Work inside a pack is for qualified, where required licensed, persons; local codes prevail.",
        "common practice",
    ),
    Caution(
        "Do not open, re-balance by hand, or charge a cold, swollen or suspect pack, and do not send it by post.",
        "common practice",
    ),
    Caution(
        "By road, a damaged or defective pack travels only under special provision 376 (packing instructions P908 "
        "or P911, LP904 or LP906) after assessment by an expert. By air it is forbidden (special provision A154). "
        "In the United States see 49 CFR 173.185(f). Rules change every year: check the edition in force.",
        "ADR SP 376; IATA DGR SP A154; 49 CFR 173.185(f)",
    ),
)

UNSURE = Caution(
    "Whether a pack counts as damaged or defective in transport is for a trained person to say before anything is "
    "sent, not for this file: data may look sound while a pack is not. Until then keep it away from people and from "
    "what burns, and have it collected by a carrier that takes such packs.",
    "engineering choice, after ADR SP 376 (assessment before carriage)",
)

HEAT = Caution(
    "Charge between 0 and 40 °C, away from exits, attended, with the listed charger. Above 60 °C at any cell do "
    "not use the pack; if it keeps heating without load, leave and call the fire service.",
    "fire-safety tips for lithium-ion batteries of the NFPA; the 60 °C figure is common practice for this cell "
    "chemistry",
)

TOUCH = Caution(
    "Motors and power stages that are normal inside can still burn skin: bare metal near 65 °C burns within a second.",
    "common practice; the figure is from memory",
)

BENCH = (
    Caution(
        "A motor on a stand turns without warning and keeps turning: guard belts, wheels and couplings, tie up hair, "
        "sleeves and gloves, keep an emergency stop within reach, and nobody in line with what may fly off.",
        "common practice",
    ),
    Caution(
        "Motors, power stages, brakes and cells are hot after a test and look as before: measure before you touch.",
        "common practice",
    ),
    Caution(
        "A pack holds its energy whatever the test says, and cannot be switched off: charge and load it attended, away "
        "from what burns, with a way out and the means at hand that your fire service names for such packs.",
        "common practice",
    ),
    Caution(
        "A test like this belongs to trained, where required licensed, persons; local rules come first.",
        "engineering choice",
    ),
    Caution(
        "An accepted unit met the limits of one plan on one day. It is not proven safe, and no homologation or type "
        "approval follows from this.",
        "engineering choice",
    ),
)

LAW = "Local law, transport rules and licensed practice prevail over anything printed here."


def for_findings(findings: Sequence[Mapping[str, Any]]) -> list[Caution]:
    """The cautions that the findings call for, the most urgent first; whether to ride or charge is the order of the
    gravest severity. Notes ask for none: a warning that is always there is not read."""
    worst_of_all = gravest(f["severity"] for f in findings)
    grave = {f["subsystem"] for f in findings if f["severity"] != "note"}
    worst = {f["subsystem"] for f in findings if f["severity"] == "stop-use"}
    out: list[Caution] = []
    if worst_of_all in (Severity.STOP_USE, Severity.SERVICE):
        out.append(Caution(order_of(worst_of_all), "engineering choice"))
    if "braking" in grave:
        out.append(BRAKE)
    if worst & {"drive", "remote link"}:
        out.append(DRIVE)
    if grave & {"cells", "pack", "charging", "thermal"}:
        out.extend(PACK)
    if "thermal" in grave:
        out.extend((HEAT, TOUCH))
    return [*out, GENERAL]


def for_return(findings: Sequence[Mapping[str, Any]]) -> list[Caution]:
    """How a pack comes back: always the transport rules; how to stay safe with it where a finding
    concerns it, or what it concerns is not known (subsystem "")."""
    grave = {f["subsystem"] for f in findings if f["severity"] != "note"}
    if grave & {"cells", "pack", "charging", "thermal", ""}:
        return [UNSURE, *PACK]
    return [UNSURE, PACK[0], PACK[3]]
