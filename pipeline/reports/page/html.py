"""From facts to one HTML file: templates, style and scripts in one piece, nothing fetched, ever.

Figures stand in it as still pictures, which scripts of our own (assets/figures.js) move when they are touched. A
content security policy in the head names the hash of each of them: any other script, request or frame that a hostile
text might bring is refused by the browser, on top of the escaping that the templates do.
"""

from __future__ import annotations

import base64
import hashlib
import os
import re
from collections.abc import Sequence
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from herdbook.pipeline.reports.page.figure import PageFigure
from herdbook.pipeline.reports.page.records import with_names
from herdbook.pipeline.reports.page.still.picture import still
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.store.whole_file import whole

if TYPE_CHECKING:
    from jinja2 import Environment

FIGURES = ("scales.js", "samples.js", "figures.js", "reading.js", "page.js")  # scripts of a page with figures, in order
_SAFE = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,79}")


@cache
def asset(name: str) -> str:
    return files("herdbook.pipeline.reports.page").joinpath("assets", name).read_text("utf-8")


def csp_hash(script: str) -> str:
    return "'sha256-" + base64.b64encode(hashlib.sha256(script.encode()).digest()).decode() + "'"


def _shown(value: Any) -> Any:
    """What a template prints: texts from outside with nothing unseen in them; our own markup as it is."""
    return numbers.visible(value) if isinstance(value, str) and not isinstance(value, Markup) else value


@cache
def environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    from herdbook.pipeline.reports.page.compiled import CompiledTemplates

    env = Environment(
        bytecode_cache=CompiledTemplates(),
        loader=PackageLoader("herdbook.pipeline.reports.page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_shown,
    )
    filters: dict[str, Any] = {
        "number": numbers.number,
        "unit": numbers.unit,
        "size": numbers.size,
        "duration": numbers.duration,
        "still": lambda figure: still(figure.spec, figure.height),
        "sentence": lambda s: f"{s[:1].upper()}{s[1:]}".removesuffix(".") + ".",
        "severity": lambda s: numbers.SEVERITY_WORD.get(s, s),
    }
    env.filters.update(filters)
    env.globals.update(plural=numbers.plural, listing=numbers.listing)
    return env


def render(template: str, scripts: tuple[str, ...] = (), figures: Sequence[PageFigure] = (), **given: Any) -> str:
    """One page. scripts: names under assets/, put inline. figures: those of the page, whose numbers travel at its end,
    behind all there is to read."""
    texts = [asset(name) for name in scripts]
    hashes = [csp_hash(text) for text in texts]
    policy = (
        "default-src 'none'; connect-src 'none'; frame-src 'none'; style-src 'unsafe-inline'; img-src data: blob:; "
        "base-uri 'none'; form-action 'none'; "
        f"script-src {' '.join(hashes) if hashes else chr(39) + 'none' + chr(39)}"
    )
    page = (
        environment()
        .get_template(template)
        .render(
            policy=policy,
            style=Markup(asset("page.css")),
            scripts=[Markup(text) for text in texts],
            figures=figures,
            **given,
        )
    )
    return with_names(page)


def program_version() -> str:
    try:
        return version("herdbook")
    except PackageNotFoundError:
        return "of unknown version"


def file_name(vehicle: str) -> str:
    """A vehicle's name as a file name: kept when harmless, else cleaned and told apart by a short hash."""
    if _SAFE.fullmatch(vehicle) and ".." not in vehicle:
        return vehicle
    cleaned = re.sub(r"[^A-Za-z0-9_-]+", "_", vehicle).strip("_")[:40]
    return f"{cleaned or 'vehicle'}-{hashlib.sha256(vehicle.encode()).hexdigest()[:8]}"


def history_beside(site: Path, stem: str) -> str:
    """Address of a vehicle's history from a page one folder into a site; "" where `histories/` holds none."""
    name = f"histories/history-{stem}.html"  # as `herdbook history VEHICLE --out SITE/histories/` names it
    return f"../{name}" if (site / name).exists() else ""


def target(out: Path | str, default_name: str) -> Path:
    """The file to write: `out` itself, or default_name inside it when `out` is (or ends like) a folder."""
    path = Path(out)
    if path.is_dir() or str(out).endswith(("/", os.sep)) or not path.suffix:
        path = path / default_name
    path.parent.mkdir(parents=True, exist_ok=True)
    return path


def write(path: Path, text: str) -> Path:
    """Whole or not at all: a reader never meets half a page. Raises: StoreError."""
    with whole(path) as draft:
        draft.write_text(text, "utf-8")
    return path
