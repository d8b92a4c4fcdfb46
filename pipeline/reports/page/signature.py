"""The signature of a history or a certificate: Ed25519 (RFC 8032), so that it can be held against a public key without
the store.

A page and a CSV are signed as they are, every byte, with 128 zeros where the signature then stands. A JSON is signed
by what it holds (canonical(), without `signature`), so that it may be laid out anew by other programs.
"""

from __future__ import annotations

import hashlib
import json
import re
from typing import TYPE_CHECKING, Any

from herdbook.pipeline.store.signing_key import holds

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

Document = dict[str, Any]
EMPTY = "0" * 128
PLACE = {
    "html": re.compile(r'(?<=<code class="hash" id="signature">)[0-9a-f]{128}(?=</code>)'),
    "csv": re.compile(r"(?<=\r\ndocument,,signature,,,,)[0-9a-f]{128}(?=,{12}\r\n\Z)"),
}


def canonical(made: Document) -> str:
    """The one text of a document that is hashed and signed: JSON, keys sorted, no spaces, ASCII escapes."""
    return json.dumps(made, sort_keys=True, separators=(",", ":"), ensure_ascii=True)


def sealed(made: Document) -> Document:
    """The document with its seal: SHA-256 over its canonical JSON without the seal."""
    bare = {key: value for key, value in made.items() if key != "seal"}
    return bare | {"seal": hashlib.sha256(canonical(bare).encode()).hexdigest()}


def signed_text(text: str, form: str, key: Ed25519PrivateKey) -> str:
    """A page or CSV with its empty signature filled in. Raises: ValueError when it has not exactly one place for it."""
    [place] = PLACE[form].finditer(text)
    return text[: place.start()] + key.sign(text.encode()).hex() + text[place.end() :]


def signed_document(made: Document, key: Ed25519PrivateKey) -> Document:
    """A document for JSON, with its signature."""
    return made | {"signature": key.sign(canonical(made).encode()).hex()}


def blank(text: str, form: str) -> tuple[str, str]:
    """(the signature, the text that it is over); ("", text) without one, or where it is not clear which it is."""
    found = list(PLACE[form].finditer(text))
    if len(found) != 1:
        return "", text
    [place] = found
    return place[0], text[: place.start()] + EMPTY + text[place.end() :]


def is_signed_with(public: str, text: str, form: str, made: Document) -> bool:
    """form: "html", "csv" or "json". made: what was read from the text; only a JSON is judged by it."""
    if form == "json":
        bare = {name: value for name, value in made.items() if name != "signature"}
        return holds(public, str(made.get("signature", "")), canonical(bare).encode())
    signature, message = blank(text, form)
    return bool(signature) and holds(public, signature, message.encode())
