"""How often each rule was right about vehicles whose truth was known: the usual false rate of its findings.

The figures stand in judged.toml beside this file; `python -m demo_logs.aggregate` writes it from a labelled campaign
of simulated vehicles. They say how a rule did there and nothing about a real fleet: a real fleet's own count
of findings that a bench did not confirm is better wherever it is known. They are those of the rules as they were when
the campaign was last judged (seeds 8000 and 9000: before the rules of 2026-11-29), and stay so until it is judged anew.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from herdbook.pipeline.science.poisson import upper_mean

FILE = Path(__file__).with_name("judged.toml")
SURE = 0.95


@dataclass(frozen=True, slots=True)
class RuleCount:
    """Findings of one rule that stood at the end. named: they name a fault the vehicle has; beside: true
    consequences of one, or true words about a sound vehicle; false: neither; false_sound: those of the false
    that were said about vehicles without a fault."""

    findings: int
    named: int
    beside: int
    false: int
    false_sound: int


@dataclass(frozen=True, slots=True)
class JudgedSet:
    """seeds of the campaign's vehicles, how many vehicles, for how many vehicle-months (all and sound ones),
    and each rule's count. A rule that never spoke has a count of zeros only when it was in the set."""

    seeds: tuple[int, ...]
    vehicles: int
    months: float
    sound_vehicles: int
    sound_months: float
    rules: Mapping[str, RuleCount]

    def false_per_100_months(self, rule: str) -> tuple[float, float] | None:
        """Usual false findings of a rule per 100 vehicle-months, and the upper end of its one-sided 95 %
        interval; None for a rule that was not judged.

        Source: exact interval of a Poisson count (F. Garwood, Biometrika 28 (1936) 437).
        """
        count = self.rules.get(rule)
        if count is None or self.months <= 0:
            return None
        upper = upper_mean(count.false, SURE)
        return 100.0 * count.false / self.months, 100.0 * upper / self.months


@cache
def load(path: Path = FILE) -> JudgedSet:
    """The committed figures. Raises: OSError when the file is not there, KeyError when an entry is missing."""
    table = tomllib.loads(path.read_text("utf-8"))
    rules = {
        name: RuleCount(row["findings"], row["named"], row["beside"], row["false"], row["false_sound"])
        for name, row in table["rules"].items()
    }
    return JudgedSet(
        seeds=tuple(table["seeds"]),
        vehicles=table["vehicles"],
        months=table["months"],
        sound_vehicles=table["sound_vehicles"],
        sound_months=table["sound_months"],
        rules=rules,
    )


def write(judged: JudgedSet, path: Path) -> None:
    """The same as a file."""
    head = [
        "# How often each rule was right about simulated vehicles whose truth is known.",
        "# Written by `python -m demo_logs.aggregate`; read by pipeline/health/judged.py. Not for editing.",
        f"seeds = {list(judged.seeds)}",
        f"vehicles = {judged.vehicles}",
        f"months = {judged.months:.2f}",
        f"sound_vehicles = {judged.sound_vehicles}",
        f"sound_months = {judged.sound_months:.2f}",
        "",
        "[rules]",
    ]
    rows = [
        f"{name} = {{ findings = {c.findings}, named = {c.named}, beside = {c.beside}, false = {c.false}, false_sound "
        f"= {c.false_sound} }}"
        for name, c in sorted(judged.rules.items())
    ]
    path.write_text("\n".join([*head, *rows]) + "\n", "utf-8")
