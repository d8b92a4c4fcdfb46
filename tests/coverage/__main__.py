"""The coverage table: `python -m tests.coverage [--runs 400] [--only WORDS] [--json FILE]` writes TABLE.md anew; with
--only and no --json it draws those cases anew and leaves the other rows as they stand.

BEFORE holds what the same worlds gave with the estimators as they were before their errors were mended (2026-11-29),
made by the same command with --json in that tree.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from tests.coverage import all_cases
from tests.coverage.case import Case, Coverage, cover

HERE = Path(__file__).parent
TABLE, BEFORE = HERE / "TABLE.md", HERE / "before.json"
LOW, HIGH = 0.90, 0.98
HEAD = """# Coverage of stated 95 % intervals

Share of drawn worlds in which value +- 1.96 x stated standard error holds the truth. The bar is 90 to 98 %; what lies
outside it by more than chance is marked. In brackets: 95 % interval of the share (Clopper and Pearson). A world with
many groups counts once, by the mean share of its groups. Worlds are drawn from the ranges of `demo_logs/makers` (steps,
noise, message periods, pages, interference, hills, habits); the code under test reads none of them.
Written by `make coverage`; `tests/coverage/before.json` holds the figures of the estimators before 2026-11-29. The
estimators were mended with these worlds in view, so that the table is no trial on worlds unseen. With 60 worlds a share
must lie some 10 points under the bar before chance does not explain it, with 40 some 13: look at the brackets.
The ratio of a group's resistance, the delays of the brake and rolling were drawn anew when their errors changed
(2026-11-30): a ratio's error comes from leaving out blocks, with no share chosen by hand; rolling is over the weight
that the profile names, and the wind is drawn in all of its worlds, since it is in all of its errors.
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=400, help="worlds a case; cheap ones ten times as many")
    parser.add_argument("--only", default="", help="only cases with these words in their name; other rows stand")
    parser.add_argument("--json", type=Path, help="write the figures here and no table")
    args = parser.parse_args()
    found: dict[str, Coverage] = {}
    for case in all_cases():
        if args.only in case.name:
            found[case.name] = cover(case, args.runs * (10 if case.cheap else 1))
            print(f"{case.name:75s} {found[case.name].covered:.3f} of {found[case.name].n}", flush=True)
    if args.json:
        figures = {name: [round(c.covered, 4), c.n] for name, c in found.items()}
        args.json.write_text(json.dumps(figures, indent=1) + "\n", "utf-8")
    else:
        stands = TABLE.read_text("utf-8") if args.only and TABLE.exists() else ""
        TABLE.write_text(as_table(found, f"Drawn with --runs {args.runs}.", stands), "utf-8")


def as_table(found: dict[str, Coverage], drawn: str, stands: str = "") -> str:
    """stands: the table as it was: its rows are kept where a case was not drawn, and with them what it says of runs."""
    before = json.loads(BEFORE.read_text("utf-8")) if BEFORE.exists() else {}
    kept = {tuple(row.split(" | ")[:2]): row for row in stands.splitlines() if row.startswith("| ")}
    drawn = next((line for line in stands.splitlines() if line.startswith("Drawn with")), drawn)
    rows = [HEAD + drawn + "\n", "| estimator | world | before | now | worlds | |", "|---|---|---|---|---|---|"]
    for case in all_cases():
        if case.name in found:
            rows.append(_row(case, found[case.name], before.get(case.name)))
        elif row := kept.get((f"| {case.estimator}", case.world)):
            rows.append(row)
    return "\n".join(rows) + "\n"


def _row(case: Case, now: Coverage, before: list[float] | None) -> str:
    low, high = now.reach()
    was = f"{100 * before[0]:.0f} %" if before and before[1] else "-"
    said = f"{100 * now.covered:.1f} % ({100 * low:.0f} to {100 * high:.0f})" if now.n else "nothing stated"
    outside = "**under**" if high < LOW else "**over**" if low > HIGH else ""
    words = " ".join(filter(None, (outside, case.note)))
    return f"| {case.estimator} | {case.world} | {was} | {said} | {now.n} | {words} |"


if __name__ == "__main__":
    main()
