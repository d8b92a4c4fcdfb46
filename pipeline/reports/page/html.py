"""From facts to one HTML file: templates, style, script and drawing library in one piece, nothing fetched, ever.

Figures stand in it as still pictures; the library starts when one of them is touched. The pages of a site share one
copy of it. A content security policy in the head names the hash of each script of ours: any other script, request or
frame that a hostile text might bring is refused by the browser, on top of the escaping that the templates do.
"""

from __future__ import annotations

import base64
import gzip
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
from herdbook.pipeline.reports.page.still.picture import still
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.store.whole_file import whole

if TYPE_CHECKING:
    from jinja2 import Environment

SERVERS = ("https://cloud.plotly.com/newchart", "https://cdn.plot.ly/un/")  # where the engine would send or fetch data
LEVEL = 4  # of gzip: a tenth of a second faster than 9 on each dossier, and 80 kB larger
_SAFE = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,79}")


@cache
def asset(name: str) -> str:
    return files("herdbook.pipeline.reports.page").joinpath("assets", name).read_text("utf-8")


@cache
def engine() -> str:
    """The drawing library of the plotly package, without its servers' addresses."""
    from plotly.offline import get_plotlyjs

    text: str = get_plotlyjs()
    for address in SERVERS:
        text = text.replace(address, "")
    return text


@cache
def packed_engine() -> str:
    """The drawing library for a page that carries it along: gzip in base64."""
    return _packed_and_named()[0]


@cache
def _packed_and_named() -> tuple[str, str]:
    """The packed library, and the name of its text for the content security policy."""
    from herdbook.pipeline.reports.page.kept import kept

    def make() -> str:
        text = base64.b64encode(gzip.compress(engine().encode(), LEVEL, mtime=0)).decode()
        return f"{text} {csp_hash(engine())}"

    packed, _, named = kept("drawing", f"{version('plotly')} {SERVERS} {LEVEL}", make).partition(" ")
    return packed, named


def share_engine(folder: Path) -> str:
    """Lay the drawing library into a site's folder, once for all its pages; its file's name there."""
    name = f"drawing-{hashlib.sha256(engine().encode()).hexdigest()[:12]}.js"
    if not (folder / name).exists():
        for old in folder.glob("drawing-*.js"):
            old.unlink()
        write(folder / name, engine())
    return name


def csp_hash(script: str) -> str:
    return "'sha256-" + base64.b64encode(hashlib.sha256(script.encode()).digest()).decode() + "'"


def _shown(value: Any) -> Any:
    """What a template prints: texts from outside with nothing unseen in them; our own markup as it is."""
    return numbers.visible(value) if isinstance(value, str) and not isinstance(value, Markup) else value


@cache
def environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    from herdbook.pipeline.reports.page.kept import CompiledTemplates

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


def render(
    template: str, scripts: tuple[str, ...] = (), figures: Sequence[PageFigure] = (), shared: str = "", **given: Any
) -> str:
    """One page. scripts: names under assets/, put inline. figures: those of the page, whose numbers travel at its end,
    behind all there is to read. shared: address of the drawing library beside the page (share_engine), relative to it;
    without, a page with figures carries the library along."""
    texts = [asset(name) for name in scripts]
    hashes = [csp_hash(text) for text in texts]
    if figures:
        # what a script of ours loads may run, nothing else: a file opened from a disk can be told in no other way
        hashes.append("'strict-dynamic'" if shared else _packed_and_named()[1])
    policy = (
        "default-src 'none'; connect-src 'none'; frame-src 'none'; style-src 'unsafe-inline'; img-src data: blob:; "
        "base-uri 'none'; form-action 'none'; "
        f"script-src {' '.join(hashes) if hashes else chr(39) + 'none' + chr(39)}"
    )
    return (
        environment()
        .get_template(template)
        .render(
            policy=policy,
            style=Markup(asset("page.css")),
            scripts=[Markup(text) for text in texts],
            figures=figures,
            engine=packed_engine() if figures and not shared else "",
            engine_file=shared if figures else "",
            **given,
        )
    )


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
