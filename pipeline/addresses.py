"""Places by address: what is a URL, and how it may be shown to people."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import unquote, urlsplit


def is_url(place: Path | str) -> bool:
    return "://" in str(place)


def shown(url: str) -> str:
    """The address without the user and password that may stand in it."""
    scheme, mark, rest = url.partition("://")
    return f"{scheme}{mark}{rest.rpartition('@')[2] if '@' in rest.split('/')[0] else rest}"


def local(place: str, beside: Path) -> Path | None:
    """The folder that a path (relative ones are `beside` something) or a file:// address names; None for other ones."""
    if not is_url(place):
        return beside / place
    if place.partition("://")[0] in ("file", "local"):
        return Path(unquote(urlsplit(place).path))
    return None


def has_password(url: str) -> bool:
    return is_url(url) and ":" in url.partition("://")[2].split("/")[0].rpartition("@")[0]


def host_shown(address: str) -> str:
    """An address that messages go to, fit for a log: scheme and host, no path, user or token. Other schemes than http
    and https may carry a secret where a host would be: they lose that too."""
    try:
        parts = urlsplit(address)
    except ValueError:  # half an IPv6 address
        return f"{address.partition('://')[0]}://…"
    host = parts.hostname if parts.scheme in ("http", "https") else None
    return f"{parts.scheme}://{host or '…'}"
