"""Who is let in, and what a page of somebody else can do: nothing."""

from __future__ import annotations

import stat
from pathlib import Path

import httpx
import pytest

from herdbook.pipeline.desk.doors import kept_secret
from herdbook.pipeline.desk.serve import Listening, Sharing
from herdbook.pipeline.store.store import Store
from tests.desk.conftest import asked, served, stranger


@pytest.mark.parametrize("path", ["/", "/fleet", "/vehicle?v=VX-014", "/table/fleet?as=csv", "/progress", "/nowhere"])
def test_without_the_token_nothing_of_the_store_is_told(listening: Listening, path: str) -> None:
    said = asked(listening, path)
    assert said.status_code == 403
    assert "VX-014" not in said.text
    assert "token" in said.text


def test_the_token_becomes_a_cookie_and_leaves_the_address(listening: Listening) -> None:
    desk = listening.desk
    with stranger(listening) as browser:
        said = browser.get(f"/vehicle?v=VX-014&token={desk.doors.token}")
        assert browser.get("/vehicle?v=VX-014").status_code == 200
    assert (said.status_code, said.headers["location"]) == (303, "/vehicle?v=VX-014")
    cookie = said.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=lax" in cookie
    assert desk.doors.token not in said.headers["set-cookie"]
    wrong = desk.doors.token[:-1] + ("y" if desk.doors.token.endswith("x") else "x")
    assert asked(listening, f"/?token={wrong}").status_code == 403


@pytest.mark.parametrize("host", ["evil.example", "evil.example:8420", "127.0.0.1:1", "10.0.0.7", "", "[::1"])
def test_another_host_name_is_refused_also_with_the_cookie(client: httpx.Client, host: str) -> None:
    """Against a name elsewhere that is pointed at this machine."""
    assert client.get("/fleet", headers={"host": host}).status_code in (400, 421)


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"origin": "http://127.0.0.1:9999"},
    ],
)
def test_a_form_of_another_page_is_not_taken(
    client: httpx.Client, listening: Listening, headers: dict[str, str]
) -> None:
    said = client.post("/stop?q=x", headers={"x-desk-mark": listening.desk.doors.mark, **headers})
    assert said.status_code == 403


def test_every_answer_carries_the_policy(client: httpx.Client) -> None:
    for path in ("/fleet", "/vehicle?v=gone", "/nowhere"):
        said = client.get(path)
        policy = said.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert said.headers["cache-control"] == "no-store"
        assert said.headers["x-content-type-options"] == "nosniff"


def test_a_form_without_our_mark_is_not_taken(client: httpx.Client) -> None:
    assert client.post("/stop?q=x").status_code == 403
    assert client.post("/stop?q=x", headers={"x-desk-mark": "0" * 64}).status_code == 403


def test_a_shared_desk_asks_for_its_password(made_up_once: Store) -> None:
    sharing = Sharing("127.0.0.1", "a long password")
    with served(made_up_once, sharing=sharing) as listening, stranger(listening) as browser:
        html, port = {"accept": "text/html"}, listening.port
        browser.headers["host"] = f"192.168.1.7:{port}"  # by which the others of the network know it
        asked = browser.get("/vehicle?v=VX-014", headers=html)
        assert asked.status_code == 401
        assert 'type="password"' in asked.text
        assert "token" not in listening.address
        assert browser.get(f"/?token={listening.desk.doors.token}", headers=html).status_code == 401
        assert browser.post("/enter", data={"password": "wrong", "to": "/fleet"}).status_code == 401
        assert browser.post("/enter", data={"password": "a long password", "to": "/fleet"}).status_code == 429
        listening.desk.doors.wrong_until = 0.0
        let_in = browser.post("/enter", data={"password": "a long password", "to": "//evil.example/"})
        assert (let_in.status_code, let_in.headers["location"]) == (303, "/")
        cookie = {"cookie": let_in.headers["set-cookie"].split(";")[0]}
        assert browser.get("/fleet", headers=cookie).status_code == 200
        assert browser.get("/fleet", headers=cookie | {"host": f"evil.example:{port}"}).status_code == 421


def test_the_secret_is_kept_for_its_owner_alone(tmp_path: Path) -> None:
    made = kept_secret(tmp_path)
    [file] = tmp_path.iterdir()
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert kept_secret(tmp_path) == made
    file.chmod(0o644)  # others may have read it
    assert kept_secret(tmp_path) != made


def test_a_cookie_holds_over_a_new_start(own_store: Store) -> None:
    with served(own_store) as first, stranger(first, follow=True) as browser:
        browser.get(first.address)
        cookies, port = dict(browser.cookies), first.port
    with served(own_store, port) as again:
        assert httpx.get(f"{again.root}fleet", cookies=cookies).status_code == 200
        assert httpx.get(f"{again.root}?token={first.desk.doors.token}").status_code == 403  # the token is another one
