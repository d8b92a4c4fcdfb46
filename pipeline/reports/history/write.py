"""A history written to a file, signed: as a page, on paper, CSV or JSON."""

from __future__ import annotations

import re
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from herdbook.pipeline.errors import SettingsError
from herdbook.pipeline.reports.history import forms
from herdbook.pipeline.reports.history.document import Document, document
from herdbook.pipeline.reports.page import html, paper
from herdbook.pipeline.reports.page.signature import signed_document
from herdbook.pipeline.store.signing_key import private_key, public_key, stamp
from herdbook.pipeline.store.whole_file import whole
from herdbook.pipeline.times import utc_now

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store

FORMS = ("html", "csv", "json", "pdf")


def write_history(
    store: Store,
    vehicle: str,
    out: Path | str,
    fmt: str = "",
    zone: str | None = None,
    units: str = "km",
    as_of: datetime | None = None,
    by: str = "",
) -> Path:
    """Write the history; the file written.

    out: the file, or a folder to put it in.  fmt: "html", "csv", "json" or "pdf" (needs Chromium); "": as the name of
    out ends, else "html".  zone: of all times
    on the page (default: the vehicle's, else the store's).  units: "km" or "mi".  as_of: only what had been received by
    then (naive means UTC).  by: who writes it; then the time of writing is in it too.
    Raises: NotKnownError, StoreError, and SettingsError for a form, zone or unit that does not exist, or a key or a
    time stamp that cannot be had.
    """
    fmt = fmt or form_of(Path(out))
    if fmt not in FORMS:
        raise SettingsError(f"no history is written as {fmt!r}", do="Choose html, csv, json or pdf")
    key = private_key(store)
    made = _document(store, vehicle, zone=zone, units=units, as_of=as_of, by=by)
    name = f"history-{html.file_name(vehicle)}.{fmt}"
    path = html.target(out, name)
    if fmt == "pdf":
        end = (made["data_until"] or "1970-01-01T00:00:00")[:19]
        written = _write_bytes(path, paper.printed(forms.signed(made, "html", key), re.sub(r"\D", "", end)))
    else:
        written = html.write(path, forms.signed(made, fmt, key))
    stamp(store, written)
    return written


def form_of(out: Path) -> str:
    """The form that the name of a file says; a page where it says none, and in a folder."""
    said = "" if out.is_dir() else out.suffix[1:].lower()
    return said if said in FORMS else "html"


def _write_bytes(path: Path, content: bytes) -> Path:
    with whole(path) as draft:
        draft.write_bytes(content)
    return path


def signed_history(
    store: Store, vehicle: str, zone: str | None = None, units: str = "km", as_of: datetime | None = None, by: str = ""
) -> Document:
    """The same as plain data for a script, signed."""
    key = private_key(store)
    return signed_document(_document(store, vehicle, zone=zone, units=units, as_of=as_of, by=by), key)


def _document(store: Store, vehicle: str, *, zone: str | None, units: str, as_of: datetime | None, by: str) -> Document:
    at = utc_now() if by else None
    public = public_key(store)
    return document(store, vehicle, zone=zone, units=units, as_of=as_of, by=by, at=at, public_key=public)
