"""The further leaves of a dossier: one file a leaf; the folder is the registry.

A file holds ORDER (its place in the dossier, lower first) and leaf(store, con, facts) -> Leaf. It reads the published
catalogue and the lake, draws with `drawing`, and writes nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import cache
from importlib import import_module
from inspect import signature
from pkgutil import iter_modules
from types import ModuleType
from typing import TYPE_CHECKING

from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.page.blocks import Leaf

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.store.store import Store

__all__ = ["LeafMaker", "all_leaves", "in_order"]

LeafMaker = Callable[["Store", "duckdb.DuckDBPyConnection", Facts], Leaf]
GIVEN = ["store", "con", "facts"]


@cache
def all_leaves() -> dict[str, LeafMaker]:
    """What makes each leaf, by file name, in reading order. Raises: ValueError naming the file that lacks something."""
    names = sorted(m.name for m in iter_modules(__path__))
    return in_order([import_module(f"{__name__}.{name}") for name in names])


def in_order(modules: Iterable[ModuleType]) -> dict[str, LeafMaker]:
    """The leaves of some modules by name, in the order they ask for. Raises: ValueError as all_leaves."""
    found: dict[int, tuple[str, LeafMaker]] = {}
    for module in modules:
        name = module.__name__.rpartition(".")[2]
        order, make = getattr(module, "ORDER", None), getattr(module, "leaf", None)
        if not isinstance(order, int):
            raise _lacks(name, "ORDER, a whole number: its place in the dossier")
        if not callable(make) or list(signature(make).parameters) != GIVEN:
            raise _lacks(name, f"leaf({', '.join(GIVEN)}), which makes it")
        if not module.__doc__:
            raise _lacks(name, "a docstring that says what it shows")
        if order in found:
            raise ValueError(
                f"dossier/leaves/{name}.py: ORDER {order} is taken by {found[order][0]}.py; choose another"
            )
        found[order] = name, make
    return dict(found[order] for order in sorted(found))


def _lacks(name: str, what: str) -> ValueError:
    return ValueError(f"dossier/leaves/{name}.py lacks {what}")
