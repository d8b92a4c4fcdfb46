"""What every worker needs, imported once in the process that workers are forked from (see pipeline/night/workers.py).

Imports only: no thread of ours and no pool of the column library runs here, so that forking is safe. An import that
fails is left for the worker, where it is reported.
"""

from __future__ import annotations

import os
from contextlib import suppress
from importlib import import_module

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: our matrices are small, and a fork takes no threads

MODULES = (
    "pyarrow.parquet",
    "herdbook.pipeline.intake.take_apart",
    "herdbook.pipeline.night.failures",
    "herdbook.pipeline.night.contacts",
    "herdbook.decoders.formats:all_readers",
    "herdbook.decoders.dbc.parse:load_parser",
    "herdbook.pipeline.vehicle.contact.checks:all_checks",
    "herdbook.pipeline.metrics:all_sets",
    "herdbook.pipeline.health.rules:all_rules",
)  # with the function that fills a registry, where there is one

for _name in MODULES:
    with suppress(Exception):
        _module, _, _fill = _name.partition(":")
        _loaded = import_module(_module)
        if _fill:
            getattr(_loaded, _fill)()
