"""What keeps people out of a page: axe-core's findings, and a page wider than its screen."""

from __future__ import annotations

from tests.reports.browser import Watched
from tests.reports.fetch_axe import SCRIPT

__all__ = ["SCRIPT", "TYPES", "barriers", "overflow"]

# Which type a machine has is not ours to say: all text as wide as it may come.
WIDE_TYPE = ":root { --sans: monospace !important; --serif: monospace !important; --mono: monospace !important }"
TYPES = {"own type": ":root { }", "wide type": WIDE_TYPE}

AXE = """tags => axe.run(document, {runOnly: tags}).then(r => r.violations.map(
    v => [v.id, v.nodes.slice(0, 3).map(n => n.target.join(' ') + ': ' + n.failureSummary)]))"""
AXE_TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


def barriers(watched: Watched) -> dict[str, object]:
    """axe-core's violations, and those of contrast in the dark; only where SCRIPT exists. Leaves the page dark."""
    watched.ask(SCRIPT.read_text("utf-8") + "; undefined")
    light = watched.page.evaluate(AXE, AXE_TAGS)
    watched.page.emulate_media(color_scheme="dark")
    dark = watched.page.evaluate(AXE, {"type": "rule", "values": ["color-contrast"]})
    return {"barriers": light, "contrast in the dark": dark}


def overflow(watched: Watched) -> dict[str, object]:
    """Pixels that a tablet and a phone would have to scroll sideways, in its own and in wide type, which stays."""
    found: dict[str, object] = {}
    for said, style in TYPES.items():
        watched.page.add_style_tag(content=style)
        for width in (768, 360):
            watched.page.set_viewport_size({"width": width, "height": 800})
            wide = watched.ask("Math.max(0, document.documentElement.scrollWidth - innerWidth)")
            found[f"overflow at {width} px, {said}"] = wide
    return found
