"""The installed command: the pipeline's verbs and, beside them, the ones that need Prefect."""

from __future__ import annotations

import sys
from typing import NoReturn

from herdbook.pipeline.cli import VERBS, build, run

ALL_VERBS = (*VERBS, "herdbook.flows.commands")


def main() -> NoReturn:
    run(build(ALL_VERBS, sys.argv[1:]))


if __name__ == "__main__":
    main()
