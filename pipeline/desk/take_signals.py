"""Every sample of a stretch of signals as a file: CSV, XLSX or Parquet, as `herdbook wires` writes them."""

from __future__ import annotations

from pathlib import Path

from starlette.responses import Response

from herdbook.pipeline.desk.desk import Asked
from herdbook.pipeline.desk.files import KINDS, MOST_XLSX, handed_over, write_xlsx
from herdbook.pipeline.desk.lines import asked_for, estimate
from herdbook.pipeline.desk.look import moment_of
from herdbook.pipeline.desk.pack_names import plain_names
from herdbook.pipeline.errors import SettingsError
from herdbook.pipeline.reports.signals.files import table, write_signals
from herdbook.pipeline.reports.signals.window import gather
from herdbook.pipeline.times import micros

MOST = 20_000_000  # samples of all signals: the table is held in memory


def file(asked: Asked) -> Response:
    vehicle, kind = asked.one("v"), asked.one("as", "csv")
    start, end = moment_of(asked.one("from")), moment_of(asked.one("to"))
    if kind not in KINDS:
        raise SettingsError(f"no signals are written as {kind!r}", do="Choose csv, xlsx or parquet")
    if not start or not end or start >= end:
        raise SettingsError("the address names no stretch of time", do="Give from and to, like 2026-03-20T11:12:29Z")
    first, last = micros(start), micros(end)
    names, wrong = asked_for(plain_names(asked.store, vehicle, asked.many("s")))
    if wrong or not names:
        raise SettingsError(" ".join(wrong) or "no signal is named", do="Name roles or Message.Signal")
    longest, every = estimate(asked.store, vehicle, names, first, last)
    n, most = (longest, MOST_XLSX) if kind == "xlsx" and every <= MOST else (every, MOST)
    if n > most:
        do = "Choose a shorter stretch, or read it in pieces: fleet.scan_signals() in Python"
        raise SettingsError(f"about {n:,} samples lie in this stretch, over {most:,}", do=do)
    texts = [name.text for name in names]

    def write(path: Path) -> None:
        if kind == "xlsx":
            frame = table(gather(asked.store, vehicle, texts, first, last), None, first, last)
            write_xlsx(frame.columns, [frame.rows()], path)
        else:
            write_signals(asked.store, vehicle, texts, start=first, end=last, out=path)

    return handed_over(asked, write, kind, f"signals-{vehicle}-{start:%Y%m%dT%H%M%S}")
