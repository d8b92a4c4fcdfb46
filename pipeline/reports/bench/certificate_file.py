"""A certificate written to a file: as a page, on paper or as JSON; signed where a store keeps a key."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from herdbook.pipeline.reports.bench.certificate_page import as_html
from herdbook.pipeline.reports.page import html, paper
from herdbook.pipeline.reports.page.signature import signed_document, signed_text
from herdbook.pipeline.store.signing_key import private_key, stamp
from herdbook.pipeline.store.whole_file import whole

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store

Document = dict[str, Any]
FORMS = ("html", "json", "pdf")
ATTACHED = "certificate.html"


def write_certificate(store: Store | None, made: Document, out: Path | str, fmt: str = "html") -> Path:
    """Write it; the file written. store None: it is not signed, and says so. out: a file, or a folder to put it in.

    Raises: StoreError and SettingsError for a key, a time stamp or a Chromium that cannot be had.
    """
    path = html.target(out, f"acceptance-{html.file_name(made['vehicle'])}.{fmt}")
    with whole(path) as draft:
        if fmt == "json":
            draft.write_text(json.dumps(signed(store, made), ensure_ascii=False, indent=1) + "\n", "utf-8")
        else:
            page = as_html(made) if store is None else signed_text(as_html(made), "html", private_key(store))
            if fmt == "pdf":
                draft.write_bytes(paper.printed(page, digits_of(made["tested_to"]), ATTACHED))
            else:
                draft.write_text(page, "utf-8")
    if store is not None:
        stamp(store, path)
    return path


def signed(store: Store | None, made: Document) -> Document:
    """As plain data for a script; signed where there is a store."""
    return made if store is None else signed_document(made, private_key(store))


def digits_of(moment: str) -> str:
    """A stamp as a PDF writes it: 20260314175450."""
    return re.sub(r"\D", "", moment[:19])
