"""Names of rules, metrics, roles and parts in words that a clerk reads; nothing with an underscore leaves here."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from functools import cache
from typing import Any

from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.vehicle.figures import TABLES
from herdbook.pipeline.vehicle.roles import ROLES

_MISSING = re.compile(r"not in the record: (?P<names>[^()]+) \((?P<why>.*)\)", re.DOTALL)
_UNMAPPED = re.compile(r"the profile (?P<profile>.+) maps no (?P<roles>.+)")
_UNGIVEN = re.compile(r"the profile (?P<profile>.+) gives no (?P<figures>.+)")
_NAME = re.compile(r"\b[a-z][a-z0-9]*(?:_[a-z0-9]+)+\b")
ROLE_WORDS = {"fet": "power stage", "bms": "BMS", "dc link": "DC link", "soc": "state of charge"}
IDENTITY_WORDS = {
    "sidecar": "a note stored beside the log",
    "path": "the name of its folder or file",
    "bus": "the vehicle's own messages",
    "person": "a person's correction",
    "list": "the list of vehicles",
    "setting": "the store's setting",
}
CLOCK_WORDS = {
    "utc": "clock of the log",
    "sidecar": "start from a note beside the log",
    "file name": "start from the file's name",
}

# what the rules need, said shortly; the rest falls back to the meaning that its metric set states
METRIC_WORDS = {
    "belt_slip_pct": "motor speed against wheel speed",
    "bms_fault_s": "fault bits of the battery management system",
    "braking_count": "braking events",
    "braking_judged_count": "braking events with demand and delivery",
    "braking_sided_count": "braking events with both motors' current",
    "cell_bleed_idle_share": "the balancer's state",
    "cell_idle_rise_k_min": "rests with cell temperatures",
    "cell_offset_bottom_pct": "readings of each group near empty",
    "cell_offset_rows": "steady current with every group's voltage",
    "cell_offset_top_pct": "readings of each group near full",
    "cell_over_s": "group voltages against the upper limit",
    "cell_under_s": "group voltages against the lower limit",
    "cell_r_ratio": "resistance of each group",
    "cell_temp_max_c": "cell temperatures",
    "charge_end": "charges with their end",
    "cold_charge_ah": "charging together with cell temperatures",
    "contactor_opened_loaded": "the state of the main switch",
    "controller_watched_h": "the controller's running time",
    "data_coverage": "the share of time covered",
    "derated_share": "the controller's torque limit",
    "encoder_watched_h": "motor speed at riding speed",
    "end_lowest_v": "group voltages at the end of a session",
    "fault_count": "fault bits of controller and motors",
    "fet_temp_max_c": "power stage temperatures",
    "group_r_load_mohm": "resistance of the groups under load",
    "link_watched_h": "the remote's link while riding",
    "message_missed_share": "messages with a declared cycle",
    "motor_temp_max_c": "winding temperatures",
    "pack_current_zero_a": "pack current with the main switch open",
    "pack_heat_ratio": "the pack's warming against its load",
    "pack_path_mohm": "resistance between groups and terminals",
    "pack_run_ah": "pack current over whole sessions",
    "pack_soc_end_pct": "reported state of charge",
    "pack_sum_gap_pct": "pack voltage beside every group's voltage",
    "release_timed_count": "releases of the trigger with motor current",
    "sense_pair_opposite_mv": "movements of neighbouring groups",
    "sense_pair_common_mv": "movements of neighbouring groups",
    "sense_pair_correlation": "movements of neighbouring groups",
    "sense_pair_elsewhere": "movements of neighbouring groups",
    "temp_missing_share": "temperature sensors",
    "travel_rolling": "rolling resistance",
    "ride_rolling": "rolling resistance over a whole ride",
    "unasked_watched_h": "motor current and brake demand at riding speed",
}


def role_words(role: str) -> str:
    """cell_voltage -> cell voltage."""
    text = role.replace("_", " ")
    for short, said in ROLE_WORDS.items():
        text = re.sub(rf"\b{short}\b", said, text)
    return text


def metric_words(name: str) -> str:
    """What a metric tells, as a noun."""
    if name in METRIC_WORDS:
        return METRIC_WORDS[name]
    meaning = _meanings().get(name, "")
    if not meaning or meaning.startswith(("The same", "How it")):
        return name.replace("_", " ")
    text = meaning.split(";")[0].split(",")[0].rstrip(".")
    return text[0].lower() + text[1:]


@cache
def _meanings() -> dict[str, str]:
    from herdbook.pipeline.metrics import all_sets

    return {name: meaning for s in all_sets().values() for name, (_, meaning) in s.gives.items()}


def reason(text: str) -> str:
    """Why a rule could not judge, without names of metrics and roles."""
    found = _MISSING.fullmatch(text.strip().rstrip("."))
    if not found:
        lacking = [_lacking(why) for why in text.strip().rstrip(".").split("; ")]
        if all(lacking):
            return f"{', and '.join(lacking)}, as its profile stands"
        return _NAME.sub(lambda m: _name(m[0]), text).rstrip(".")
    needed = numbers.listing(list(dict.fromkeys(metric_words(n.strip()) for n in found["names"].split(","))))
    lacking = [said for why in found["why"].split("; ") if (said := _lacking(why))]
    if lacking:
        return f"nothing about {needed}: {', and '.join(lacking)}, as its profile stands"
    return f"no session on record shows enough of {needed}"


def _lacking(why: str) -> str:
    """What a profile does not map or give; "" when the reason is another."""
    if unmapped := _UNMAPPED.fullmatch(why):
        roles = [role_words(r.strip()) for r in unmapped["roles"].split(",")]
        return f"this vehicle type does not report {numbers.listing(roles)}"
    if ungiven := _UNGIVEN.fullmatch(why):
        figures = [_figure_words(f.strip()) for f in ungiven["figures"].split(",")]
        verb = "is" if len(figures) == 1 else "are"
        return f"nobody has said of this vehicle type what its {numbers.listing(figures)} {verb}"
    return ""


def _figure_words(figure: str) -> str:
    """[pack] rated_ah -> rated charge."""
    table, _, key = figure.strip("[").partition("] ")
    line = vars(TABLES[table]).get(key) if table in TABLES else None
    return line.meaning.split(";")[0].split(",")[0] if line is not None else key.replace("_", " ")


def statement(text: str) -> str:
    """What a change of a finding says; the reason inside "no longer assessed: ..." in plain words."""
    before, found, why = text.partition("no longer assessed: ")
    return f"{before}{found}{reason(why)}" if found else text.rstrip(".")


def _name(name: str) -> str:
    if name in ROLES:
        return role_words(name)
    known = name in METRIC_WORDS or name in _meanings()
    return metric_words(name) if known else name.replace("_", " ")


def of_rules(rule_sets: Sequence[dict[str, Any]], what: str) -> dict[str, str]:
    """Rule id to its "title" or "subsystem" from rows of the table rule_sets, oldest first: the newest word wins."""
    out: dict[str, str] = {}
    for row in rule_sets:
        try:
            out |= {str(rule["id"]): str(rule[what]) for rule in json.loads(row["rules"])}
        except (ValueError, KeyError, TypeError):
            continue  # a rule set in another form keeps its ids, with spaces
    return out


def component(name: str) -> str:
    """pack_firmware -> Pack firmware."""
    text = name.replace("_", " ")
    return text[:1].upper() + text[1:]


def told_by(known_by: str) -> str:
    """How an identity is known."""
    return IDENTITY_WORDS.get(known_by, known_by)


def clock(name: str) -> str:
    return CLOCK_WORDS.get(name, name)
