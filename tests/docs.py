"""The documents as a small site that opens offline: python -m tests.docs FOLDER, which is `make docs`.

Made of the README, the manual, the pages made from the code, the notebook's text and the Python API's docstrings; all
that is shown as typed is run by tests/test_readme.py and tests/test_notebook.py. A link that leads nowhere is an error.
"""

from __future__ import annotations

import re
import shutil
import sys
import warnings
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path

from herdbook import __version__
from herdbook.pipeline.commands.terminal import reference
from herdbook.pipeline.manual import text, topics
from tests import notebook

ROOT = Path(__file__).parents[1]
PARTS = {
    "For each user": ("night", "unit", "history", "book", "vehicle"),
    "Keeping it": ("store", "settings", "formats", "running", "moving", "platforms", "trouble"),
    "Asking in SQL and Python": ("sql", "python", "first-steps", "api", "other-engines"),
    "Reference": ("rules", "metrics", "profile", "own", "changes"),
}
SETTINGS = {
    "project": "Herdbook",
    "copyright": "Herdbook, Apache-2.0",
    "release": __version__,
    "extensions": ["myst_parser", "sphinx.ext.autodoc"],
    "html_theme": "furo",
    "html_title": "Herdbook",
    "html_show_sphinx": False,
    "html_copy_source": False,
    "html_theme_options": {"top_of_page_buttons": []},
    "myst_heading_anchors": 3,
    "autodoc_typehints": "signature",
    "autodoc_member_order": "bysource",
    "autodoc_preserve_defaults": True,
}
API = (
    ("herdbook", "decode judge open", "From a log to an answer"),
    ("herdbook", "Fleet Judgement", "What they give"),
    ("herdbook.own", "", "For rules and metrics of your own"),
)


def write(folder: Path) -> None:
    """The sources of the site, Markdown. A page that no part names comes last."""
    folder.mkdir(parents=True, exist_ok=True)
    pages = {topic: text(topic) for topic in topics()} | {topic: reference.page(topic) for topic in reference.TITLES}
    pages |= {"first-steps": _notebook(), "api": _api(), "changes": (ROOT / "CHANGELOG.md").read_text("utf-8")}
    for topic, page in pages.items():
        (folder / f"{topic}.md").write_text(linked(page, pages), "utf-8")
    (folder / "index.md").write_text(linked(_front(folder, pages), pages), "utf-8")


def build(folder: Path) -> Path:
    """The site in folder/site; its front page. Raises: RuntimeError with what Sphinx does not like."""
    from io import StringIO

    from sphinx.application import Sphinx

    source, out, said = folder / "source", folder / "site", StringIO()
    for old in (source, out, folder / "trees"):
        shutil.rmtree(old, ignore_errors=True)
    write(source)
    with warnings.catch_warnings():
        for kind in (DeprecationWarning, PendingDeprecationWarning):  # of the generator's own parts about each other
            warnings.simplefilter("ignore", kind)
        Sphinx(
            srcdir=source,
            confdir=None,
            outdir=out,
            doctreedir=folder / "trees",
            buildername="html",
            confoverrides=dict(SETTINGS),
            status=None,
            warning=said,
        ).build()
    if complaints := said.getvalue().strip():
        raise RuntimeError(complaints)
    if broken := [*dead_links(out), *fetched(out)]:
        raise RuntimeError("\n".join(broken))
    return out / "index.html"


def linked(page: str, pages: dict[str, str]) -> str:
    """`herdbook help TOPIC` leads to that page; what Markdown of ours is not Sphinx's is put right."""
    page = re.sub(r"```console\n", "```text\n", page)
    return re.sub(
        r"`herdbook help ([a-z-]+)`", lambda m: f"[`{m[0].strip('`')}`]({m[1]}.md)" if m[1] in pages else m[0], page
    )


def _front(folder: Path, pages: dict[str, str]) -> str:
    """The README, its picture beside it; what it links to in the tree stands there as text."""
    page = (ROOT / "README.md").read_text("utf-8")
    for picture in re.findall(r"!\[[^\]]*\]\(([^)]+)\)", page):
        shutil.copy(ROOT / picture, folder)
        page = page.replace(picture, Path(picture).name)
    page = re.sub(r"(?<!!)\[([^\]]+)\]\((?!https?:)[^)]+\)", r"\1", page)
    named = {topic for part in PARTS.values() for topic in part}
    parts = PARTS | {"More": tuple(topic for topic in pages if topic not in named)}
    trees = [
        f"```{{toctree}}\n:caption: {title}\n:maxdepth: 1\n:hidden:\n\n" + "\n".join(of) + "\n```\n"
        for title, part in parts.items()
        if (of := [topic for topic in part if topic in pages])
    ]
    return "\n".join([page, *trees])


def _notebook() -> str:
    """The notebook as a page: cells and what they show."""
    lines = []
    for cell in notebook.read()["cells"]:
        source = "".join(cell["source"])
        if cell["cell_type"] == "markdown":
            lines.append(source)
            continue
        lines.append(f"```python\n{source}\n```")
        lines += ["```text\n" + "".join(o["data"]["text/plain"]) + "\n```" for o in cell["outputs"]]
    return "\n\n".join(lines)


def _api() -> str:
    import herdbook.own

    parts = ["# Python: every call", "What stands here keeps its name and its arguments; tests hold it."]
    for module, names, title in API:
        parts.append(f"## {title}")
        for name in names.split() or sorted(set(herdbook.own.__all__) - {"ROLES"}):
            thing = getattr(herdbook.own if module == "herdbook.own" else herdbook, name)
            kind = "class" if isinstance(thing, type) else "function"
            more = "   :members:\n   :undoc-members:\n" if kind == "class" and module == "herdbook" else ""
            parts.append(f"```{{eval-rst}}\n.. auto{kind}:: {module}.{name}\n   :no-index:\n{more}```")
    return "\n\n".join(parts)


class _Page(HTMLParser):
    """What a page names: anchors, links, and what a browser would fetch as it opens."""

    def __init__(self) -> None:
        super().__init__()
        self.anchors: set[str] = set()
        self.links: list[str] = []
        self.fetched: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        self.anchors |= {given[name] for name in ("id", "name") if name in given}
        if tag == "a" and "href" in given:
            self.links.append(given["href"])
        elif tag == "link" or "src" in given:
            self.fetched.append(given.get("src") or given.get("href", ""))


def pages_of(site: Path) -> dict[Path, _Page]:
    read = {}
    for path in sorted(site.rglob("*.html")):
        read[path] = _Page()
        read[path].feed(path.read_text("utf-8"))
    return read


def dead_links(site: Path) -> Iterator[str]:
    """Links to a file or an anchor that is not there."""
    read = pages_of(site)
    for path, page in read.items():
        for link in page.links:
            if re.match(r"[a-z]+:", link):
                continue
            name, _, anchor = link.partition("#")
            target = (path.parent / name).resolve() if name else path
            if not target.is_file() or (anchor and target in read and anchor not in read[target].anchors):
                yield f"{path.name} leads to {link}, which is not there"


def fetched(site: Path) -> Iterator[str]:
    """What a page would fetch from elsewhere when it is opened."""
    for path, page in pages_of(site).items():
        yield from (f"{path.name} fetches {x}" for x in page.fetched if re.match(r"([a-z]+:)?//", x))
    for path in site.rglob("*.css"):
        named = re.findall(r"url\(\s*['\"]?((?:https?:)?//[^)]+)\)", path.read_text("utf-8"))
        yield from (f"{path.name} fetches {x}" for x in named)


if __name__ == "__main__":
    print(build(Path(sys.argv[1])))
