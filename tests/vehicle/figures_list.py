"""Writes the list of figures in dbc_demo/README.md anew: python -m tests.vehicle.figures_list"""

from __future__ import annotations

from pathlib import Path

from herdbook.pipeline.vehicle.profile_tables import reference

PAGE = Path(__file__).parents[2] / "dbc_demo" / "README.md"


def main() -> None:
    lines = PAGE.read_text("utf-8").splitlines()
    first = next(i for i, line in enumerate(lines) if line.startswith("| key | unit |"))
    after = next((i for i in range(first, len(lines)) if not lines[i].startswith("|")), len(lines))
    lines[first:after] = reference()
    PAGE.write_text("\n".join(lines) + "\n", "utf-8")


if __name__ == "__main__":
    main()
