"""A history document as page, CSV or JSON. Each is a pure function of the document (and the key that signs it): same
document, same bytes. Page and CSV have a place for the signature, empty until signed()."""

from __future__ import annotations

import csv
import io
import json
from typing import TYPE_CHECKING, Any

from herdbook.pipeline.reports.history.strip import strip
from herdbook.pipeline.reports.page import html
from herdbook.pipeline.reports.page.figure import script_safe
from herdbook.pipeline.reports.page.signature import EMPTY, signed_document, signed_text
from herdbook.pipeline.reports.words import names, numbers
from herdbook.pipeline.reports.words.csv_cells import inert
from herdbook.pipeline.times import from_stamp

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

Document = dict[str, Any]
COLUMNS = (
    "record",
    "no",
    "section",
    "from_utc",
    "to_utc",
    "topic",
    "text",
    "basis",
    "severity",
    "value",
    "unit",
    "standard_error",
    "coverage",
    "rule",
    "rule_set",
    "logs",
    "sha256",
    "profile_hash",
    "network_hash",
)
HEADER = (
    *(
        "form",
        "vehicle",
        "profile",
        "zone",
        "units",
        "as_of",
        "by",
        "at",
        "built",
        "in_service",
        "data_until",
        "scan",
        "tool",
    ),
    *("public_key", "seal"),
)


def signed(made: Document, form: str, key: Ed25519PrivateKey) -> str:
    """The whole file. form: "html", "csv" or "json"."""
    if form == "json":
        return as_json(signed_document(made, key))
    return signed_text(as_html(made) if form == "html" else as_csv(made), form, key)


def as_json(made: Document) -> str:
    return json.dumps(made, ensure_ascii=False, indent=1) + "\n"


def as_csv(made: Document) -> str:
    """Rows as in RFC 4180, of three kinds told by `record`: document (a fact about the file), line, log. The signature
    is the last row."""
    out = io.StringIO()
    rows = csv.DictWriter(out, COLUMNS, restval="", lineterminator="\r\n")
    rows.writeheader()
    rows.writerows(_inert({"record": "document", "section": key, "text": made[key] or ""}) for key in HEADER)
    rows.writerows(_inert(_line_row(line)) for line in made["lines"])
    rows.writerows(_inert(_log_row(log)) for log in made["logs"])
    rows.writerow({"record": "document", "section": "signature", "text": EMPTY})
    return out.getvalue()


def _inert(row: Document) -> Document:
    return {key: inert(value) if isinstance(value, str) else value for key, value in row.items()}


def _line_row(line: Document) -> Document:
    row = {key: line[key] for key in COLUMNS if line.get(key) is not None}
    return row | {
        "record": "line",
        "from_utc": line["from"] or "",
        "to_utc": line["to"] or "",
        "topic": line["topic"],
        "text": line["text"],
        "logs": ranges(line["logs"]),
    }


def _log_row(log: Document) -> Document:
    row = {key: log[key] for key in ("no", "sha256", "profile_hash", "network_hash")}
    return row | {
        "record": "log",
        "from_utc": log["from"],
        "to_utc": log["to"],
        "text": log["name"],
        "basis": log["clock"],
        "value": log["size_bytes"],
        "unit": "bytes",
    }


def as_html(made: Document) -> str:
    zone = numbers.zone_of(made["zone"])
    grouped = [
        (key, title, [line for line in made["lines"] if line["section"] == key])
        for key, title in made["sections"].items()
    ]

    def local(stamp: str | None) -> str:
        return numbers.moment(from_stamp(stamp) if stamp else None, zone)

    embedded = script_safe(json.dumps(made, ensure_ascii=True, separators=(",", ":")))
    return html.render(
        "history.html.j2",
        doc=made,
        grouped=grouped,
        strip=strip(made, zone),
        embedded=embedded,
        ranges=ranges,
        local=local,
        clock=names.clock,
        signature=EMPTY,
    )


def ranges(of: list[int]) -> str:
    """[1, 2, 3, 7] -> "1-3, 7"."""
    parts: list[list[int]] = []
    for number in of:
        if parts and number == parts[-1][1] + 1:
            parts[-1][1] = number
        else:
            parts.append([number, number])
    return ", ".join(f"{a}-{b}" if b > a else str(a) for a, b in parts)
