"""Write the committed fleet: python -m demo_logs.simulator --seed 7
--out demo_logs/fleet --truth demo_logs/truth.json"""

from __future__ import annotations

import argparse
from pathlib import Path

from demo_logs.write_fleet import write_fleet


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m demo_logs.simulator", description=__doc__)
    parser.add_argument("--seed", type=int, default=7, help="same seed, same bytes")
    parser.add_argument("--out", type=Path, required=True, help="folder for the logs")
    parser.add_argument("--truth", type=Path, help="what was wrong with whom (default: truth.json beside the folder)")
    parser.add_argument("--only", nargs="*", default=(), metavar="VEHICLE", help="write the logs of these alone")
    args = parser.parse_args()
    for line in write_fleet(args.seed, args.out, args.truth or args.out.parent / "truth.json", args.only):
        print(line)


if __name__ == "__main__":
    main()
