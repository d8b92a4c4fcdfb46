"""The installed command: the pipeline's verbs and, beside them, the ones that need Prefect."""

from __future__ import annotations

from typing import NoReturn


def main() -> NoReturn:
    from herdbook.flows.commands import register
    from herdbook.pipeline.cli import build, run

    app = build()
    register(app)
    run(app)


if __name__ == "__main__":
    main()
