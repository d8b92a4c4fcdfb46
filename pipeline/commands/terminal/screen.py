"""The terminal: tables, plain JSON, progress. Everything from outside is shown as text, never obeyed."""

from __future__ import annotations

import json
import os
import sys
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

Progress = Callable[[int, int, str], None]
NUMERIC = (int, float)
LONG_WORD = 24  # a longer word (a hash, a path) is broken into lines where not all words have room
SEVERITY_STYLE = {"stop-use": "bold reverse", "service": "bold", "note": ""}


def console(stderr: bool = False) -> Console:
    from rich.console import Console

    stream = sys.stderr if stderr else sys.stdout
    width = None if stream.isatty() or "COLUMNS" in os.environ else 120  # a file or pipe has no width of its own
    return Console(stderr=stderr, highlight=False, soft_wrap=False, width=width)


def safe(text: object) -> str:
    """Text from logs, DBC files or sidecars with control and direction characters made visible."""
    return "".join(
        c if c == "\n" or unicodedata.category(c) not in ("Cc", "Cf", "Cs") else f"\\u{ord(c):04x}" for c in str(text)
    )


def place(path: Path) -> str:
    """A path as the reader would type it: relative where that is shorter."""
    near = Path(os.path.relpath(path))
    return str(path if near.parts[:1] == ("..",) else near)


def plural(count: int, one: str) -> str:
    return f"{count:,} {one}{'s' * (count != 1)}"


def say(text: str = "", style: str | None = None) -> None:
    """One line for people, on standard output; hostile text stays inert."""
    from rich.text import Text

    _print(console(), Text(safe(text)), style)


def command(text: str) -> None:
    """One command to be copied, on a line of its own however long it is."""
    from rich.text import Text

    console().print(Text(safe(text)), soft_wrap=True)


def point(text: str, mark: str = "- ") -> None:
    """One entry of a list: what does not fit its line goes on under its text, not under its mark."""
    from rich.table import Table
    from rich.text import Text

    line = Table.grid()
    line.add_row(Text(mark), Text(safe(text)))
    _print(console(), line)


def warn(text: str) -> None:
    from rich.text import Text

    _print(console(stderr=True), Text(safe(text)))


def as_json(value: object) -> None:
    """JSON for scripts on standard output; times in ISO 8601, NaN as null."""
    print(json.dumps(plain(value), ensure_ascii=True, indent=2))


def plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, str) or value is None or isinstance(value, bool | int):
        return value
    if isinstance(value, float):
        return value if value == value and abs(value) != float("inf") else None
    if hasattr(value, "isoformat"):
        return value.isoformat()
    if isinstance(value, Iterable):
        return [plain(v) for v in value]
    return str(value)


def cell(value: object) -> str:
    """One table cell: numbers with sense, nothing as a dash, times without microseconds."""
    if value is None or value != value:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.4g}"
    if isinstance(value, int):
        return f"{value:,}"
    if hasattr(value, "strftime"):
        return str(value)[:16]
    if isinstance(value, list | tuple):
        return ", ".join(cell(v) for v in value)
    return safe(value)


def table(title: str, columns: Sequence[str], rows: Iterable[Sequence[object]], note: str = "") -> None:
    """A table; a column is set right when its first value is a number, a severity emphasised by weight. Where the
    terminal is too narrow for every word and digit, one record after the other instead: nothing is ever cut off."""
    from rich.table import Table
    from rich.text import Text

    rows = [list(r) for r in rows]
    out = console()
    sizes = [_widths(name, [r[i] for r in rows]) for i, name in enumerate(columns)]
    room = out.width - 2 * (len(columns) - 1)
    widths = fitted(sizes, room) or fitted([(min(least, LONG_WORD), natural) for least, natural in sizes], room)
    if not widths:
        _blocks(title, columns, rows, note)
        return
    caption = Text(safe(note)) if note else None
    t = Table(
        title=Text(safe(title)),
        title_justify="left",
        title_style="bold",
        caption=caption,
        caption_justify="left",
        box=None,
        pad_edge=False,
        header_style="dim",
        show_edge=False,
    )
    for i, name in enumerate(columns):
        first = next((r[i] for r in rows if r[i] is not None), None)
        number = isinstance(first, NUMERIC) and not isinstance(first, bool)
        t.add_column(
            Text(safe(name)), justify="right" if number else "left", overflow="fold", no_wrap=number, width=widths[i]
        )
    for r in rows:
        t.add_row(*(Text(cell(v), style=SEVERITY_STYLE.get(str(v), "")) for v in r))
    _print(out, t)


def _widths(name: str, values: Sequence[object]) -> tuple[int, int]:
    """The least and the natural width of a column: of its longest word or number, and of its longest cell. A number or
    a time is one word."""
    from rich.cells import cell_len

    texts = [cell(v) for v in values]
    natural = max(map(cell_len, [name, *texts]))
    first = next((v for v in values if v is not None), None)
    if isinstance(first, NUMERIC) and not isinstance(first, bool):
        return natural, natural
    times = [cell(v) for v in values if hasattr(v, "strftime")]
    words = [word for text in [name, *texts] for word in text.split()]
    return max(map(cell_len, [*words, *times]), default=1), natural


def fitted(sizes: Sequence[tuple[int, int]], room: int) -> tuple[int, ...]:
    """Widths of columns (least, natural) within the room: the widest give way first, none below its least. () when the
    room is too small for that."""
    widths = [max(least, min(natural, room)) for least, natural in sizes]
    while sum(widths) > room:
        wide = [w if w > least else 0 for w, (least, _) in zip(widths, sizes, strict=True)]
        if not any(wide):
            return ()
        widths[wide.index(max(wide))] -= 1
    return tuple(widths)


def _print(out: Console, shown: RenderableType, style: str | None = None) -> None:
    """Print without the blanks that fill up lines: they stand in a file, and wrap where a window is made narrower."""
    from rich.segment import Segment, Segments

    lines = out.render_lines(shown, style=out.get_style(style) if style else None, pad=False)
    for line in lines:
        while line and not line[-1].text.strip():
            line.pop()
        if line:
            line[-1] = Segment(line[-1].text.rstrip(), line[-1].style)
    out.print(Segments([piece for line in lines for piece in (*line, Segment.line())]), end="")


def _blocks(title: str, columns: Sequence[str], rows: Sequence[Sequence[object]], note: str) -> None:
    from rich.text import Text

    out = console()
    _print(out, Text(safe(title), style="bold"))
    for row in rows:
        out.print()
        for name, value in zip(columns, row, strict=True):
            if text := cell(value):
                shown = Text(f"{safe(name)}: ", style="dim") + Text(text, style=SEVERITY_STYLE.get(str(value), ""))
                _print(out, shown)
    if note:
        _print(out, Text(f"\n{safe(note)}"))


@contextmanager
def progress(title: str) -> Iterator[Progress]:
    """A bar on a terminal; elsewhere a quiet line when a stage begins and when it ends."""
    if not sys.stderr.isatty():
        yield quiet_lines(title)
        return
    from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeElapsedColumn
    from rich.progress import Progress as Bar

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Bar(*columns, console=console(stderr=True), transient=True) as bar:
        tasks: dict[str, Any] = {}

        def show(done: int, total: int, text: str) -> None:
            stage = safe(text)
            if stage not in tasks:
                tasks[stage] = bar.add_task(stage, total=total)
            bar.update(tasks[stage], completed=done, total=total)

        yield show


def quiet_lines(title: str) -> Progress:
    seen: set[tuple[str, bool]] = set()

    def show(done: int, total: int, text: str) -> None:
        key = (text, done >= total)
        if key not in seen and (done >= total or done == 0):
            seen.add(key)
            warn(f"{title}: {text} {done}/{total}")

    return show
