"""A live bus on the terminal: a table that renews itself; where there is no terminal, a quiet line now and then."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import TYPE_CHECKING

from herdbook.pipeline.commands.terminal import screen
from herdbook.pipeline.commands.terminal.live_rows import OLD_S, Row, age_words, beyond_words, rows_of, sparks
from herdbook.pipeline.times import from_micros, now_us

if TYPE_CHECKING:
    from rich.console import Group
    from rich.segment import Segment, Segments

    from herdbook.pipeline.bench.live.listening import Count, Listening
    from herdbook.pipeline.vehicle.profile import Profile

LEAST = 76  # characters of one table; a terminal with room for two shows two beside each other
WIDE, GAP = 92, "   "
VALUE, UNIT, LIMIT, AGE = 12, 4, 11, 6  # cells of the columns
REFRESH_S, LINE_S = 0.5, 10.0


def watch(
    listening: Listening, profile: Profile | None, head: str, going_on: Callable[[float], bool], every_s: float = LINE_S
) -> None:
    """Show what is heard until going_on(seconds), which waits so long, says no, or there is nothing left to hear."""
    if sys.stdout.isatty():
        _live(listening, profile, head, going_on)
    else:
        _lines(listening, profile, going_on, every_s)


def _live(listening: Listening, profile: Profile | None, head: str, going_on: Callable[[float], bool]) -> None:
    from rich.live import Live

    begun = time.monotonic()
    out = screen.console()
    plain = "utf" not in out.encoding.lower()
    with Live(console=out, auto_refresh=False, transient=True) as live:
        while going_on(REFRESH_S) and not listening.over:
            size = out.size
            shown_now = picture(
                listening,
                profile,
                head,
                seconds=time.monotonic() - begun,
                width=size.width,
                height=size.height,
                plain=plain,
            )
            live.update(shown_now, refresh=True)


def picture(
    listening: Listening,
    profile: Profile | None,
    head: str,
    *,
    seconds: float,
    width: int,
    height: int,
    plain: bool = False,
) -> Group:
    """What fits on the terminal; it says how many rows do not. plain: without signs past ASCII."""
    from rich.console import Group
    from rich.text import Text

    above = [Text(screen.safe(head), style="bold"), Text(counted(listening.count(), seconds, plain))]
    above += [Text(screen.safe(f"{error}"), style="bold") for error in listening.gone]
    if listening.undecoded:
        above.append(Text(screen.safe(f"Values are no longer decoded ({listening.undecoded}); the log goes on.")))
    if profile is None:
        return Group(*above)
    rows = rows_of(listening.readings(), profile, now_us())
    beside = 2 if width >= 2 * LEAST + len(GAP) else 1
    room = max(3, height - sum(1 + len(line.plain) // max(1, width) for line in above) - 3)
    if len(rows) > room * beside:  # what is beyond its limit must not be what does not fit
        rows.sort(key=lambda r: "!*".find(r.mark) if r.mark else 2)
    fitting = rows[: room * beside]
    per = -(-len(fitting) // beside)
    each = (width - len(GAP) * (beside - 1)) // beside
    columns = [lines(fitting[i * per : (i + 1) * per], each, plain) for i in range(beside)]
    more = len(rows) - len(fitting)
    below = [Text(f"{screen.plural(more, 'more row')}: make the window taller")] if more else []
    return Group(*above, _beside(columns, each), *below)


def lines(rows: list[Row], width: int, plain: bool) -> list[list[Segment]]:
    """A heading and a line a row, each of exactly `width` cells. Laid out by hand: drawing must not keep frames
    waiting, and a table of the library takes ten times as long."""
    from rich.segment import Segment
    from rich.style import Style

    dim, loud = Style(dim=True), Style(bold=True, reverse=True)
    steps = 24 if width >= WIDE else 12
    fixed = (VALUE, max(UNIT, *(len(r.unit) for r in rows), 0) if rows else UNIT, LIMIT, AGE)
    name = width - 2 - sum(fixed) - steps - 5
    head = f"  {_fit('what', name)} {_right('value', fixed[0])} {_fit('unit', fixed[1])} {_fit('limit', fixed[2])} "
    out = [[Segment(_fit(head + f"{_right('age', fixed[3])} {_fit('trend, 1 min', steps)}", width), dim)]]
    for r in rows:
        old = dim if r.age is None or r.age > OLD_S else None
        middle = f" {_fit(r.unit, fixed[1])} {_fit(r.limit, fixed[2])}"
        value = _right(r.value, fixed[0])
        if len(r.value) > fixed[0] and not middle.strip():  # words may take the room of unit and limit
            value, middle = _fit(r.value, fixed[0] + len(middle)), ""
        blank = len(value) - len(value.lstrip())
        after = f"{middle} {_right(age_words(r.age), fixed[3])} "
        out.append(
            [
                Segment(f"{r.mark or ' '} {_fit(r.what, name)} {value[:blank]}", old),
                Segment(value[blank:], loud if r.mark == "!" else old),
                Segment(after + _fit(sparks(r.trend, steps, plain), steps)),
            ]
        )
    return out


def _fit(text: str, width: int) -> str:
    """Cut or filled up to so many cells; control characters made visible."""
    from rich.cells import cell_len, set_cell_size

    shown = screen.safe(text)
    return shown + " " * (width - size) if (size := cell_len(shown)) <= width else set_cell_size(shown, width)


def _right(text: str, width: int) -> str:
    fitted = _fit(text, width)
    kept = fitted.rstrip()
    return " " * (len(fitted) - len(kept)) + kept


def _beside(columns: list[list[list[Segment]]], width: int) -> Segments:
    """Columns of lines next to each other."""
    from rich.segment import Segment, Segments

    out: list[Segment] = []
    for i in range(max(map(len, columns))):
        for k, column in enumerate(columns):
            out += [Segment(GAP)] * (k > 0) + (column[i] if i < len(column) else [Segment(" " * width)])
        out.append(Segment.line())
    return Segments(out)


def counted(count: Count, seconds: float, plain: bool = True) -> str:
    """The state in one line. Figures that should be nought come first where they are not."""
    at = time.strftime("%H:%M:%S", time.gmtime(max(0, int(seconds))))
    lost = f"{count.lost:,} LOST" if count.lost else "none lost"
    said = [at, f"{count.frames:,} frames", f"{count.rate:,.0f} a second", lost]
    said.append(screen.plural(count.error_frames, "error frame"))
    if count.overruns:
        said.append(f"the interface itself ran over {screen.plural(count.overruns, 'time')}")
    if count.bus_off:
        said.append("an interface left the bus (bus off)")
    if count.unknown:
        said.append(f"{count.unknown:,} not in the DBC files")
    if count.bytes:
        said.append(f"{count.bytes / 1e6:,.1f} MB")
    return (", " if plain else " · ").join(said)


def _lines(listening: Listening, profile: Profile | None, going_on: Callable[[float], bool], every_s: float) -> None:
    begun, due, told, gone = time.monotonic(), every_s, set[tuple[str, object]](), 0
    while going_on(REFRESH_S) and not listening.over:
        for r in listening.readings() if profile else ():
            if r.beyond and (r.role, r.item) not in told and profile is not None:
                told.add((r.role, r.item))
                screen.say(f"{_now()}  {beyond_words(r, profile)}")
        for error in listening.gone[gone:]:
            screen.say(f"{_now()}  {error}")
        gone = len(listening.gone)
        if (seconds := time.monotonic() - begun) >= due:
            due += every_s
            screen.say(f"{_now()}  {counted(listening.count(), seconds)}")


def _now() -> str:
    return f"{from_micros(now_us()):%H:%M:%S} UTC"
