"""A history written to a file: as a page, CSV or JSON."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from herdbook.pipeline.errors import SettingsError
from herdbook.pipeline.reports.history import forms
from herdbook.pipeline.reports.history.document import document
from herdbook.pipeline.reports.page import html
from herdbook.pipeline.times import utc_now

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store

WRITERS = {"html": forms.as_html, "csv": forms.as_csv, "json": forms.as_json}


def write_history(
    store: Store,
    vehicle: str,
    out: Path | str,
    fmt: str = "html",
    zone: str | None = None,
    units: str = "km",
    as_of: datetime | None = None,
    by: str = "",
) -> Path:
    """Write the history; the file written.

    out: the file, or a folder to put it in.  fmt: "html", "csv" or "json".  zone: of all times on the page
    (default: the vehicle's, else the store's).  units: "km" or "mi".  as_of: only what had been received by then
    (naive means UTC).  by: who writes it; then the time of writing is in it too.
    Raises: NotKnownError, StoreError, and SettingsError for a form, zone or unit that does not exist.
    """
    if fmt not in WRITERS:
        raise SettingsError(f"no history is written as {fmt!r}", do="Choose html, csv or json")
    at = utc_now() if by else None
    made = document(store, vehicle, zone=zone, units=units, as_of=as_of, by=by, at=at)
    name = f"history-{html.file_name(vehicle)}.{fmt}"
    return html.write(html.target(out, name), WRITERS[fmt](made))
