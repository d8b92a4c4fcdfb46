"""How right were the findings? Compares a store's published catalogue with the simulator's truth.

    python -m demo_logs.evaluate --store STORE --truth demo_logs/truth.json [--json]

Exit codes: 0 every fault of serviceable size found and no vehicle without a fault called to service; 1 otherwise;
2 store or truth cannot be read.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from demo_logs.scorecard import Said, Scorecard, TrueFault, TrueVehicle, score
from demo_logs.tables import as_json, as_markdown


def read_truth(path: Path) -> list[TrueVehicle]:
    """Vehicles and faults of a truth.json; onset not before the vehicle's first log."""
    table: dict[str, Any] = json.loads(path.read_text("utf-8"))
    out = []
    for row in table["vehicles"]:
        first = int(row["first"])
        faults = tuple(
            TrueFault(f["name"], str(f["item"]), float(f["size"]), max(first, int(f["onset"]))) for f in row["faults"]
        )
        harmless = tuple(row["harmless"])
        out.append(TrueVehicle(row["vehicle"], row["profile"], faults, harmless, first, int(row["last"])))
    return out


def read_findings(store: Path) -> list[Said]:
    """Findings of the published catalogue. Raises: OSError when there is none, duckdb.Error when it is damaged."""
    import duckdb

    published = store / "fleet.duckdb"
    if not published.is_file():
        raise OSError(f"{published}: not there; run a scan first")
    with duckdb.connect(str(published), read_only=True) as con:
        rows = con.execute("SELECT vehicle, rule, severity, item, epoch_us(first_t) FROM findings").fetchall()
    return [Said(*row) for row in rows]


def verdict(card: Scorecard) -> list[str]:
    """What is wrong, in words; empty when the bar is met."""
    missed = [f"missed: {m.vehicle} {m.fault.name} {m.fault.item} of size {m.fault.size:g}" for m in card.missed]
    return missed + [f"false {s.severity}: {s.vehicle} {s.rule} {s.item}" for s in card.alarms]


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m demo_logs.evaluate", description=__doc__)
    parser.add_argument("--store", type=Path, required=True)
    parser.add_argument("--truth", type=Path, default=Path(__file__).with_name("truth.json"))
    parser.add_argument("--json", action="store_true", help="one JSON object instead of tables")
    args = parser.parse_args(arguments)
    try:
        card = score(read_truth(args.truth), read_findings(args.store))
    except Exception as error:
        print(f"evaluate: {error}", file=sys.stderr)
        return 2
    wrong = verdict(card)
    if args.json:
        print(json.dumps(as_json(card) | {"wrong": wrong}, indent=1))
    else:
        print(as_markdown(card))
        print("\n".join(wrong) if wrong else "All serviceable faults found; nothing false about sound vehicles.")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
