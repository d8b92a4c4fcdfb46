"""A signed page on paper: a PDF printed from the signed page, with that page inside as an attached file.

Chromium prints it, from a file and without a network. Its only moving parts are two dates, which become the end of the
data, so that the same page gives the same bytes from the same Chromium. Whoever holds the PDF can take out the page and
check its signature; with the same Chromium also that the paper shows that page.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path
from tempfile import TemporaryDirectory

from herdbook.pipeline.errors import SettingsError

NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
WAIT_S = 180
ATTACHED = "history.html"
_DATES = re.compile(rb"(/(?:CreationDate|ModDate) )\(D:\d{14}[^)]*\)")
_PRODUCER = re.compile(rb"/Producer \(([^)]*)\)")
_TRAILER = re.compile(rb"trailer\s*<<(.*?)>>\s*startxref\s*(\d+)\s*%%EOF\s*\Z", re.DOTALL)
_PAGE = re.compile(rb"/Type /EmbeddedFile /Subtype /text#2Fhtml /Length (\d+) >>\nstream\n")


def chromium() -> str:
    """The Chromium of this machine; "" for none. HERDBOOK_CHROMIUM names another."""
    named = os.environ.get("HERDBOOK_CHROMIUM", "")
    return named or next((found for name in NAMES if (found := shutil.which(name))), "")


def printed(page: str, day: str, name: str = ATTACHED) -> bytes:
    """The signed page as a PDF with the page inside, under a name. day: end of the data, as 20260314175450.

    Raises: SettingsError where no Chromium is there or it does not print."""
    program = chromium()
    if not program:
        raise SettingsError(
            "a PDF is printed by Chromium, and there is none on this machine",
            do="Install Chromium, name one in HERDBOOK_CHROMIUM, or print the page from any browser",
        )
    with TemporaryDirectory() as scratch:
        source, made = Path(scratch) / name, Path(scratch) / "made.pdf"
        source.write_text(page, "utf-8")
        arguments = [program, "--headless=new", "--disable-gpu", "--no-pdf-header-footer", "--no-first-run"]
        arguments += ["--disable-background-networking", f"--user-data-dir={scratch}/profile"]
        arguments += ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
        arguments += [f"--print-to-pdf={made}", source.as_uri()]
        try:
            done = subprocess.run(arguments, capture_output=True, timeout=WAIT_S, check=False)
        except subprocess.TimeoutExpired:
            raise SettingsError(f"Chromium did not print within {WAIT_S} s", do="Write the page and print it") from None
        except OSError as problem:
            why = f"{program} cannot be started ({problem.strerror})"
            raise SettingsError(why, do="Write the page and print it") from None
        if not made.is_file():
            last = done.stderr.decode("utf-8", "replace").strip().splitlines()[-1:]
            raise SettingsError(f"Chromium did not print: {' '.join(last)}", do="Write the page and print it")
        paper = made.read_bytes()
    return attached(_DATES.sub(rb"\g<1>(D:" + day.encode() + b"+00'00')", paper), page, name)


def attached(paper: bytes, page: str, name: str = ATTACHED) -> bytes:
    """The PDF with the page as an attached file, by an update at its end (ISO 32000-1, 7.5.6).

    Raises: SettingsError for a PDF that is laid out in another way than Chromium's."""
    found = _TRAILER.search(paper)
    root = re.search(rb"/Root (\d+) 0 R", found[1]) if found else None
    size = re.search(rb"/Size (\d+)", found[1]) if found else None
    catalog = re.search(rb"\n" + root[1] + rb" 0 obj\n<<(.*?)>>\nendobj", paper, re.DOTALL) if root else None
    if found is None or root is None or size is None or catalog is None or b"/Names" in catalog[1]:
        raise SettingsError("this Chromium lays a PDF out in a way that is not known here", do="Print the page itself")
    first, text = int(size[1]), page.encode("utf-8")
    bodies = {
        int(root[1]): b"<<%s\n/Names <</EmbeddedFiles <</Names [(%s) %d 0 R]>>>>>>"
        % (catalog[1], name.encode(), first + 1),
        first: b"<< /Type /EmbeddedFile /Subtype /text#2Fhtml /Length %d >>\nstream\n%s\nendstream" % (len(text), text),
        first + 1: b"<< /Type /Filespec /F (%s) /UF (%s) /EF << /F %d 0 R >> >>"
        % (name.encode(), name.encode(), first),
    }
    out, places = bytearray(paper if paper.endswith(b"\n") else paper + b"\n"), {}
    for number, body in bodies.items():
        places[number] = len(out)
        out += b"%d 0 obj\n%s\nendobj\n" % (number, body)
    table = len(out)
    out += b"xref\n"
    for number, place in places.items():
        out += b"%d 1\n%010d 00000 n \n" % (number, place)
    kept = re.sub(rb"/Size \d+", b"/Size %d" % (first + 2), found[1])
    out += b"trailer\n<<%s\n/Prev %s>>\nstartxref\n%d\n%%%%EOF\n" % (kept, found[2], table)
    return bytes(out)


def page_in(paper: bytes) -> str:
    """The attached page; "" where there is not exactly one."""
    found = list(_PAGE.finditer(paper))
    if len(found) != 1:
        return ""
    begin = found[0].end()
    return paper[begin : begin + int(found[0][1])].decode("utf-8", "replace")


def producer(paper: bytes) -> str:
    """What printed it, as it says itself."""
    found = _PRODUCER.search(paper)
    return found[1].decode("latin-1") if found else "an unnamed program"
