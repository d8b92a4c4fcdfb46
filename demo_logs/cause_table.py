"""The demo fleet's faults beside what its pages say: for each fault that was put in, the cause at the top of the page,
whether it is the true one, and the sample it rests on.

    sh demo_logs/demo.sh herdbook build/demo
    python -m demo_logs.cause_table build/demo/store
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from demo_logs.causes import CAUSES
from demo_logs.scorecard import same_item
from demo_logs.true_causes import TRUE, is_true
from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.reports.dossier.causes import ShownCause, bit_names, causes_of
from herdbook.pipeline.reports.facts import Facts, one_vehicle
from herdbook.pipeline.reports.record import profile_of, record_of
from herdbook.pipeline.store.statements import Row
from herdbook.pipeline.store.store import Store

TRUTH = Path(__file__).with_name("truth.json")
HEAD = ("vehicle", "fault", "finding", "cause at the top", "what the record says", "the sample", "true")


def rows(store: Store, truth: dict[str, Any]) -> Iterator[tuple[str, ...]]:
    """One row a fault that was put in; "not found" where no right rule found it."""
    with store.read() as con:
        for vehicle in truth["vehicles"]:
            facts = one_vehicle(con, vehicle["vehicle"], store.settings.zone)
            for fault in vehicle["faults"]:
                finding = _found(facts, fault["name"], str(fault["item"]))
                if finding is None:
                    yield facts.vehicle, fault["name"], "not found", "", "", "", ""
                    continue
                profile = profile_of(store, facts.about["profile"])
                record = record_of(facts, profile, []) if profile is not None else None
                first = causes_of(store, facts, finding, bit_names(store, facts), record)[0]
                true = is_true(fault["name"], finding["rule"], first.text)
                named = f"{finding['title']} {finding['item']}".strip()
                yield facts.vehicle, fault["name"], named, first.text, _said(first), _sample(first), _yes(true)


def _found(facts: Facts, fault: str, item: str) -> Row | None:
    right = (f for f in facts.findings if f["rule"] in CAUSES[fault].right and (fault, f["rule"]) in TRUE)
    return next((f for f in right if same_item(f["item"], item)), None)


def _said(cause: ShownCause) -> str:
    return f"{cause.words}: {cause.said}" if cause.said else cause.words


def _sample(cause: ShownCause) -> str:
    """When the sample was, or what stands in its place."""
    return cause.moment or ("the finding itself" if cause.finding else "none: a measurement tells")


def _yes(true: bool) -> str:
    return "yes" if true else "**no**"


def main(arguments: list[str]) -> int:
    if len(arguments) != 1:
        print(__doc__)
        return 2
    try:
        table = list(rows(Store.open(arguments[0]), json.loads(TRUTH.read_text("utf-8"))))
    except HerdbookError as error:
        print(f"{error}\nThe demo's store is wanted: sh demo_logs/demo.sh herdbook build/demo makes build/demo/store")
        return 3
    print(f"| {' | '.join(HEAD)} |\n{'|---' * len(HEAD)}|")
    for row in table:
        print(f"| {' | '.join(cell.replace('|', '/') for cell in row)} |")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
