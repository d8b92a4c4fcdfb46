"""No page sends anything anywhere: every control of every kind of page is used, and what a page asks for is watched."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from herdbook.pipeline.reports.page.html import FIGURES, asset
from tests.reports.browser import needs_chromium, opened, outside

BUTTONS = {"Closer", "Wider", "Earlier", "Later", "All"}
CONTROLS = "button, summary, [role=button], input, select, label, a[href^='#'], [tabindex]:not(a)"
PAGES = ("dossier", "history", "fleet", "night", "vehicle", "signals")


def test_the_scripts_of_a_page_know_no_address() -> None:
    for name in (*FIGURES, "register.js"):
        found = set(re.findall(r"https?://[^\"'` ]+", asset(name)))
        assert found <= {"http://www.w3.org/2000/svg"}  # the name of a language, which nothing ever fetches


@pytest.mark.browser
@needs_chromium
@pytest.mark.parametrize("name", PAGES)
def test_every_control_is_used_and_nothing_leaves(browser: Browser, pages: dict[str, Path], name: str) -> None:
    """Every button, switch, field and link of the page itself; what leads to another page leads to a file beside it."""
    with opened(browser, pages[name]) as watched:
        strangers: list[str] = []
        watched.page.context.on("page", lambda page: strangers.append(page.url))
        watched.page.on("framenavigated", lambda frame: strangers.append(frame.url) if "#" not in frame.url else None)
        if watched.ask("!!document.querySelector('.plot')"):
            watched.live()
            names = set(watched.ask("[...document.querySelectorAll('.moves button')].map(b => b.textContent)"))
            assert names
            assert names <= BUTTONS
        used = watched.ask(
            f"""(() => {{ let n = 0; for (const e of document.querySelectorAll("{CONTROLS}")) {{
                e.focus && e.focus(); e.click ? e.click() : e.dispatchEvent(new MouseEvent('click', {{bubbles: true}}));
                if (e.matches('select')) for (const o of e.options) {{ e.value = o.value;
                    e.dispatchEvent(new Event('change', {{bubbles: true}})); }}
                if (e.matches('input')) {{ e.value = 'x'; e.dispatchEvent(new Event('input', {{bubbles: true}})); }}
                for (const key of ['Enter', '+', '0'])
                    e.dispatchEvent(new KeyboardEvent('keydown', {{key, bubbles: true}}));
                n += 1; }} return n; }})()"""
        )
        assert used > 0
        watched.page.wait_for_timeout(300)  # for what a click begins; when all is well nothing depends on its length
        away = "[...document.querySelectorAll('[href], [src], [action], [formaction], [ping]')].map(e => "
        away += "e.getAttribute('href') || e.getAttribute('src') || e.getAttribute('action') || 'ping')"
        assert not [a for a in watched.ask(away) if ":" in a.split("#")[0] and not a.startswith(("data:", "blob:"))]
        assert outside(watched) == []
        assert strangers == []
        assert watched.complaints == []


@pytest.mark.browser
@needs_chromium
@pytest.mark.parametrize("name", ["dossier", "history", "fleet"])
def test_the_policy_forbids_what_a_script_might_try(browser: Browser, pages: dict[str, Path], name: str) -> None:
    tries = """async () => { const got = [];
        try { await fetch('https://127.0.0.1:9/'); got.push('fetch'); } catch (e) {}
        try { new WebSocket('wss://127.0.0.1:9/'); } catch (e) { got.push('thrown'); }
        navigator.sendBeacon('https://127.0.0.1:9/', 'x');
        const i = new Image(); i.src = 'https://127.0.0.1:9/x.png'; document.body.append(i);
        const f = document.createElement('iframe'); f.src = 'https://127.0.0.1:9/'; document.body.append(f);
        await new Promise(r => setTimeout(r, 200)); return got; }"""
    with opened(browser, pages[name]) as watched:
        refused: list[str] = []
        watched.page.on("requestfailed", lambda r: refused.append(r.url) if "csp" in str(r.failure).lower() else None)
        assert "connect-src 'none'" in watched.ask("document.querySelector('meta[http-equiv]').content")
        assert "fetch" not in watched.ask(tries)
        assert set(outside(watched)) <= set(refused)  # named by the browser, and stopped by the policy before the wire
        assert any("connect-src" in said for said in watched.complaints)
