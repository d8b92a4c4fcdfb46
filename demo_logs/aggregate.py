"""Several campaigns as one: their vehicles scored together, one row a fault over all its sizes.

    python -m demo_logs.aggregate build/a/campaign.json build/b/campaign.json [--judged pipeline/health/judged.toml]

Prints Markdown. With --judged it writes the usual false rates that pipeline/health/judged.py loads.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import sqrt
from pathlib import Path
from statistics import mean, median
from typing import Any

from demo_logs.causes import CAUSES
from demo_logs.scorecard import MONTH_US, FaultResult, Said, Scorecard, TrueFault, TrueVehicle, score
from demo_logs.tables import confusion_table, rules_table
from herdbook.pipeline.health.judged import JudgedSet, RuleCount, write
from herdbook.pipeline.health.rules import all_rules


@dataclass(frozen=True, slots=True)
class Together:
    """Vehicles of several campaigns, each named with its seed. refused: rules that could not judge, by vehicle."""

    seeds: tuple[int, ...]
    truth: tuple[TrueVehicle, ...]
    said: tuple[Said, ...]
    refused: dict[str, list[str]]

    @property
    def card(self) -> Scorecard:
        return score(self.truth, self.said)

    def only(self, far: bool | None = None, left: bool | None = None) -> Together:
        """Vehicles with physics far out, with roles missing, or without."""
        kept = [t for t in self.truth if (far is None or t.far == far) and (left is None or t.left == left)]
        names = {t.vehicle for t in kept}
        said = tuple(s for s in self.said if s.vehicle in names)
        return Together(self.seeds, tuple(kept), said, {k: v for k, v in self.refused.items() if k in names})


def read(paths: Sequence[Path]) -> Together:
    """Raises: OSError, ValueError or KeyError when a file is not a campaign's figures."""
    seeds: list[int] = []
    truth: list[TrueVehicle] = []
    said: list[Said] = []
    refused: dict[str, list[str]] = {}
    for path in paths:
        table: dict[str, Any] = json.loads(path.read_text("utf-8"))
        seed = int(table["seed"])
        seeds.append(seed)
        for row in table["truth"]:
            faults = tuple(TrueFault(**f) for f in row["faults"])
            one = TrueVehicle(**(row | {"faults": faults, "harmless": tuple(row["harmless"])}))
            truth.append(replace(one, vehicle=f"{seed}/{one.vehicle}"))
        said += [Said(**(row | {"vehicle": f"{seed}/{row['vehicle']}"})) for row in table["said"]]
        refused |= {f"{seed}/{vehicle}": rules for vehicle, rules in table["refused"].items()}
    return Together(tuple(seeds), tuple(truth), tuple(said), refused)


def wilson(good: int, of: int) -> tuple[float, float]:
    """95 % interval of a share. Source: NIST/SEMATECH e-Handbook 7.2.4.1."""
    if of == 0:
        return 0.0, 1.0
    z, p = 1.959964, good / of
    centre, half = p + z * z / (2 * of), z * sqrt(p * (1 - p) / of + z * z / (4 * of * of))
    return max(0.0, (centre - half) / (1 + z * z / of)), min(1.0, (centre + half) / (1 + z * z / of))


def _share(good: int, of: int) -> str:
    if of == 0:
        return "none judged"
    low, high = wilson(good, of)
    return f"{good} of {of} = {100 * good / of:.1f} % (95 %: {100 * low:.0f} to {100 * high:.0f})"


def clean(card: Scorecard, found: Sequence[FaultResult]) -> int:
    """How many of these finds have no wrong word beside them."""
    wrong = {s.vehicle for s in card.false}
    return sum(f.vehicle not in wrong for f in found)


def bars(card: Scorecard) -> str:
    """The summary: bar, reached, interval."""
    acting = card.acting
    found = [f for f in acting if f.found]
    stop = [f for f in acting if CAUSES[f.fault.name].stop_use]
    said_so = sum(f.severity == "stop-use" for f in stop)
    sound = f"{card.healthy_months:.0f} sound vehicle-months"
    alarms = {s: sum(x.severity == s for x in card.healthy_false) for s in ("note", "service", "stop-use")}
    rows = [
        "| bar | reached |",
        "|---|---|",
        f"| 95 % of faults found, at a size to act at, in good data | {_share(len(found), len(acting))} |",
        f"| 90 % of those with the right cause and nothing wrong beside | {_share(clean(card, found), len(found))} |",
        f"| 99 % of stop-use faults found | {_share(sum(f.found for f in stop), len(stop))}; {said_so} as stop-use |",
        f"| under 1 false `service`, no false `stop-use` per 100 sound vehicle-months | {alarms['service']} and "
        f"{alarms['stop-use']} in {sound}; {alarms['note']} false notes |",
    ]
    return "\n".join(rows)


def faults_table(card: Scorecard) -> str:
    """One row a fault: found of all, below the size to act at, from it on, and in poor data."""
    rows = [
        "| fault | below size to act at | from it on | in poor data | median delay, days | nothing wrong beside |",
        "|---|---|---|---|---|---|",
    ]
    groups: dict[str, list[FaultResult]] = defaultdict(list)
    for result in card.faults:
        groups[result.fault.name].append(result)
    for name, group in sorted(groups.items()):
        act = [f for f in group if f.act]
        poor = [f for f in group if f.poor_data]
        small = [f for f in group if not f.act and not f.poor_data]
        found = [f for f in act if f.found]
        late = f"{median(f.delay_days or 0.0 for f in found):.0f}" if found else "-"
        cells = [" of ".join((str(sum(f.found for f in g)), str(len(g)))) if g else "-" for g in (small, act, poor)]
        rows.append(f"| {name} | {' | '.join(cells)} | {late} | {clean(card, found)} of {len(found)} |")
    return "\n".join(rows)


def strata_table(together: Together) -> str:
    """Vehicles far out and vehicles without some roles, each as a row of its own."""
    rules = len(all_rules())
    rows = [
        "| vehicles | faults from the size to act at: found | wrong words, all | sound vehicle-months | false there | "
        "rules not assessed, mean |",
        "|---|---|---|---|---|---|",
    ]
    for name, part in (
        ("usual", together.only(far=False, left=False)),
        ("physics, noise or sampling far out", together.only(far=True, left=False)),
        ("roles left out", together.only(left=True)),
    ):
        card = part.card
        big = [f for f in card.faults if f.fault.size >= CAUSES[f.fault.name].acts_at]
        refused = mean(len(v) for v in part.refused.values()) if part.refused else 0.0
        rows.append(
            f"| {name} ({len(part.truth)}) | {sum(f.found for f in big)} of {len(big)} | {len(card.false)} | "
            f"{card.healthy_months:.0f} | {len(card.healthy_false)} | {refused:.1f} of {rules} |"
        )
    return "\n".join(rows)


def judged_of(together: Together) -> JudgedSet:
    """Counts of every rule, for pipeline/health/judged.toml."""
    card = together.card
    false = Counter(s.rule for s in card.false)
    sound = Counter(s.rule for s in card.healthy_false)
    names = sorted(set(all_rules()) | set(card.said))
    rules = {r: RuleCount(card.said[r], card.right[r], card.side[r], false[r], sound[r]) for r in names}
    months = sum((t.last - t.first) / MONTH_US for t in together.truth)
    return JudgedSet(together.seeds, len(together.truth), months, card.healthy, card.healthy_months, rules)


def as_text(together: Together) -> str:
    card = together.card
    missed = [f"- missed: {m.vehicle} {m.fault.name} {m.fault.item} of size {m.fault.size:g}" for m in card.missed]
    false = [f"- false: {s.vehicle} {s.severity} {s.rule} {s.item}" for s in card.false]
    tables = [bars(card), faults_table(card), rules_table(card), confusion_table(card), strata_table(together)]
    return "\n\n".join([*(t for t in tables if t), "\n".join([*missed, *false])])


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m demo_logs.aggregate", description=__doc__)
    parser.add_argument("campaigns", nargs="+", type=Path, help="campaign.json files")
    parser.add_argument("--judged", type=Path, help="write the usual false rates to this file")
    args = parser.parse_args(arguments)
    try:
        together = read(args.campaigns)
    except (OSError, ValueError, KeyError, TypeError) as error:
        print(f"aggregate: {error}", file=sys.stderr)
        return 2
    print(as_text(together))
    if args.judged:
        write(judged_of(together), args.judged)
    return 0


if __name__ == "__main__":
    sys.exit(main())
