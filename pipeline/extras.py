"""Extras: packages that only a part of Herdbook needs, which extra brings each, and what to type when it is missing."""

from __future__ import annotations

from importlib.util import find_spec

from herdbook.pipeline.errors import MissingExtraError

EXTRAS = {  # as in pyproject.toml, with the names that are imported
    "night": ("prefect", "apprise"),
    "mf4": ("asammdf",),
    "book": ("openpyxl",),
    "desk": ("starlette", "uvicorn"),
    "grow": ("prefect_dask", "dask", "distributed", "s3fs"),
}


def need(module: str, what: str) -> None:
    """Before `what` begins. Raises: MissingExtraError when the module is not installed."""
    try:
        there = find_spec(module) is not None
    except (ImportError, ValueError):
        there = False
    if not there:
        raise missing(module, what)


def missing(module: str, what: str, where: object = "") -> MissingExtraError:
    """The error that says which extra brings the module, and what to type."""
    extra = extra_of(module)
    do = f"Type: pip install 'herdbook[{extra}]', or in a clone: .venv/bin/pip install -e '.[{extra}]'"
    return MissingExtraError(f"{what} needs {module}, which is not installed", where, do)


def missing_extra(error: ImportError, what: str = "this", where: object = "") -> MissingExtraError | None:
    """An import that failed, in words; None when no extra brings what is missing."""
    cause = error.__cause__
    name = error.name or (cause.name if isinstance(cause, ImportError) else None) or ""
    root = name.partition(".")[0]
    return missing(root, what, where) if extra_of(root) else None


def extra_of(module: str) -> str:
    """The extra that brings a module; "" for none."""
    return next((extra for extra, modules in EXTRAS.items() if module in modules), "")
