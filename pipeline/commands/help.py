"""herdbook help: the pages of the manual, on the terminal."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

ORDER = 190


def register(app: typer.Typer) -> None:
    app.command(name="help", epilog="Example: herdbook help vehicle")(manual)


def manual(topic: Annotated[str, typer.Argument(help="A page; the list of pages when left out.")] = "") -> None:
    """Read a page of the manual, or list the pages. What a verb takes is in its own --help."""
    import difflib

    from herdbook.pipeline.commands.terminal import reference, screen
    from herdbook.pipeline.errors import NotKnownError
    from herdbook.pipeline.manual import text, topics

    known = topics() | reference.TITLES
    if not topic:
        screen.table("The manual", ("topic", "page"), list(known.items()), note="One of them: herdbook help TOPIC")
        return
    if topic not in known:
        near = difflib.get_close_matches(topic, known, 1, 0.5)
        do = f"Nearest: {near[0]}" if near else f"Known: {', '.join(known)}"
        raise NotKnownError(f"the manual has no page {topic!r}", do=do)
    page = reference.page(topic) if topic in reference.TITLES else text(topic)
    if sys.stdout.isatty():
        from rich.markdown import Markdown

        screen.console().print(Markdown(page))
    else:
        print(page, end="")
