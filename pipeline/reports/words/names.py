"""Names of rules, metrics, roles and parts in words that a clerk reads (words.toml); no underscore leaves here."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Sequence
from functools import cache
from importlib.resources import files
from typing import Any

from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.vehicle.figures import TABLES
from herdbook.pipeline.vehicle.packs import unmarked
from herdbook.pipeline.vehicle.roles import ROLES

_MISSING = re.compile(r"not in the record: (?P<names>[^()]+) \((?P<why>.*)\)", re.DOTALL)
_UNMAPPED = re.compile(r"the profile (?P<profile>.+) maps no (?P<roles>.+)")
_UNGIVEN = re.compile(r"the profile (?P<profile>.+) gives no (?P<figures>.+)")
_OF_PACK = re.compile(r"(?:^|; )(pack \d+: )")
_NAME = re.compile(r"\b[a-z][a-z0-9]*(?:_[a-z0-9]+)+\b")
WORDS: dict[str, dict[str, str]] = tomllib.loads(files(__package__).joinpath("words.toml").read_text("utf-8"))
ROLE_WORDS, METRIC_WORDS = WORDS["role"], WORDS["metric"]


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


def figure_words(name: str) -> str:
    """A metric as the head of a row: what its number says, with the number of a further pack. `_`-names of own sets
    without their prefix."""
    pack, name = unmarked(name)
    said = WORDS["figure"].get(name) or metric_words(name.removeprefix("own_"))
    return said if pack == 1 else f"{said}, pack {pack}"


@cache
def _meanings() -> dict[str, str]:
    from herdbook.pipeline.metrics import all_sets

    return {name: meaning for s in all_sets().values() for name, (_, meaning) in s.gives.items()}


def reason(text: str) -> str:
    """Why a rule could not judge, without names of metrics and roles; of several packs each reason keeps its pack."""
    if parts := _OF_PACK.split(text)[1:]:
        return "; ".join(f"{pack}{reason(said)}" for pack, said in zip(parts[::2], parts[1::2], strict=True))
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
    return WORDS["identity"].get(known_by, known_by)


def clock(name: str) -> str:
    return WORDS["clock"].get(name, name)
