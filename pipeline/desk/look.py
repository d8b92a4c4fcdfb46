"""Pages of the desk: its own templates over the look, the words and the marks of the reports."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from herdbook.pipeline.health.severity import SUBSYSTEMS
from herdbook.pipeline.reports.page import html
from herdbook.pipeline.reports.page.records import with_names
from herdbook.pipeline.reports.words import names, numbers
from herdbook.pipeline.times import from_stamp, micros, stamp

if TYPE_CHECKING:
    from datetime import datetime

    from jinja2 import Environment

KINDS = {".css": "text/css", ".js": "text/javascript"}
ASSETS = ("desk.css", "desk.js", "window.js", "draw.js", "scatter.js", "ask.js", "take_figure.js")
Given = str | int | Sequence[str] | None


@cache
def environment() -> Environment:
    from jinja2 import ChoiceLoader, PackageLoader

    own = html.environment()
    env = own.overlay(
        loader=ChoiceLoader([PackageLoader("herdbook.pipeline.desk"), *([own.loader] if own.loader else [])])
    )
    env.globals.update(
        address=address,
        asset=asset_address,
        subsystems=SUBSYSTEMS,
        stamp=stamp,
        moment=numbers.moment,
        component=names.component,
        reason=names.reason,
        micros=micros,
    )
    return env


def rendered(template: str, **given: Any) -> str:
    return with_names(environment().get_template(template).render(**given))


def address(path: str, **given: Given) -> str:
    """An address of a view; what is empty is left out. Lists stand several times."""
    kept = [(key, value) for key, value in given.items() if value not in ("", None, [], ())]
    return path + (f"?{urlencode(kept, doseq=True)}" if kept else "")


@cache
def asset_text(name: str) -> str:
    text = files(__package__ or "").joinpath("assets", name).read_text("utf-8")
    return html.asset("page.css") + text if name == "desk.css" else text


@cache
def asset_address(name: str) -> str:
    """Changes with what the file says, so that a browser may keep it."""
    digest = hashlib.sha256(asset_text(name).encode()).hexdigest()[:12]
    return f"/assets/{digest}/{name}"


def moment_of(text: str) -> datetime | None:
    """A time of an address; None for anything else."""
    try:
        return from_stamp(text)
    except ValueError:
        return None
