"""The coverage table: `python -m tests.coverage [--runs 400] [--only WORDS] [--json FILE]` writes TABLE.md anew.

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
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=400, help="worlds a case; cheap ones ten times as many")
    parser.add_argument("--only", default="", help="only cases with these words in their name; writes no table")
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
    elif not args.only:
        TABLE.write_text(as_table(found, f"Drawn with --runs {args.runs}."), "utf-8")


def as_table(found: dict[str, Coverage], drawn: str) -> str:
    before = json.loads(BEFORE.read_text("utf-8")) if BEFORE.exists() else {}
    rows = [HEAD + drawn + "\n", "| estimator | world | before | now | worlds | |", "|---|---|---|---|---|---|"]
    rows += [_row(case, found[case.name], before.get(case.name)) for case in all_cases() if case.name in found]
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
