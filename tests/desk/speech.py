"""A page as a screen reader speaks it: Chromium's accessibility tree in order, a line for each thing that is said."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from playwright.sync_api import Page

SILENT = {"none", "generic", "InlineTextBox", "StaticText", "LineBreak", "ListMarker", "LabelText", "RootWebArea"}
STATES = ("checked", "expanded", "selected", "disabled", "required", "invalid", "pressed", "busy", "live", "modal")
CONTROLS = {
    *("button", "link", "textbox", "searchbox", "combobox", "checkbox", "radio", "slider", "spinbutton", "switch"),
    *("listbox", "option", "menuitem", "tab", "DisclosureTriangle", "Date", "DateTime", "InputTime", "ComboBoxSelect"),
}


def nodes(page: Page) -> list[dict[str, Any]]:
    """The nodes that are not ignored, in the order in which they are read; each with its depth."""
    session = page.context.new_cdp_session(page)
    found = session.send("Accessibility.getFullAXTree")["nodes"]
    session.detach()
    by_id = {node["nodeId"]: node for node in found}
    out: list[dict[str, Any]] = []

    def walk(node: dict[str, Any], depth: int) -> None:
        if not node["ignored"]:
            out.append(node | {"depth": depth})
        for child in node.get("childIds", ()):
            if child in by_id:
                walk(by_id[child], depth + (not node["ignored"]))

    walk(found[0], 0)
    return out


def role(node: dict[str, Any]) -> str:
    return str(node.get("role", {}).get("value", ""))


def name(node: dict[str, Any]) -> str:
    return " ".join(str(node.get("name", {}).get("value", "")).split())


def states(node: dict[str, Any]) -> dict[str, Any]:
    held = {p["name"]: p["value"].get("value") for p in node.get("properties", ())}
    return {key: held[key] for key in STATES if held.get(key) not in (None, False, "false", "", "off")}


def spoken(page: Page) -> list[str]:
    return list(_lines(nodes(page)))


def _lines(found: list[dict[str, Any]]) -> Iterator[str]:
    for node in found:
        kind, said = role(node), name(node)
        if kind == "StaticText" and said:
            yield f"{'  ' * node['depth']}“{said}”"
        elif kind not in SILENT:
            held = ", ".join(f"{k} {v}" if v is not True else k for k, v in states(node).items())
            value = str(node.get("value", {}).get("value", ""))
            described = str(node.get("description", {}).get("value", ""))
            more = [part for part in (f"value {value}" if value else "", held, described and f"({described})") if part]
            yield f"{'  ' * node['depth']}{kind} {said!r}{'; ' + '; '.join(more) if more else ''}"
