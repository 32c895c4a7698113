"""Who may change what, and what every answer carries.

Sources: RFC 6750 (bearer tokens), the Fetch standard (Origin, Sec-Fetch-Site), CSP level 3, MDN's HTTP security guide.
"""

from __future__ import annotations

import asyncio
import socket
from base64 import b64encode
from pathlib import Path
from typing import Any

import pytest

from slotwatch.edge.front.guard import LARGEST_BODY_BYTES, is_loopback
from tests.edge.front_house import Running, running
from tests.views.fabricate import listening, snapshot

OPEN_TO_ALL = "0.0.0.0"
SEEN = ("POST", "/api/v1/marks", {"text": "rain effect stuttered"})


async def send(run: Running, what: tuple[str, str, Any] = SEEN, **headers: str) -> tuple[int, dict[str, Any]]:
    method, path, body = what
    names = {name.replace("_", "-"): value for name, value in headers.items()}
    async with run.client.request(method, path, json=body, headers=names) as response:
        return response.status, await response.json()


def token(place: Path, text: str = "hush-harbour\n") -> dict[str, str]:
    (place / "token").write_text(text)
    return {"token_file": "token"}


async def test_on_loopback_changes_need_no_token(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=snapshot()) as run:
        assert (await send(run))[0] == 201


@pytest.mark.parametrize(
    ("given", "status"),
    [
        ({}, 401),
        ({"Authorization": "Bearer hush-harbour"}, 201),
        ({"Authorization": "Bearer  hush-harbour "}, 201),
        ({"Authorization": "Bearer hush-harbou"}, 401),
        ({"Authorization": "Bearer hush-harbour2"}, 401),
        ({"Authorization": "Bearer "}, 401),
        ({"Authorization": "Basic aHVzaC1oYXJib3Vy"}, 401),
        ({"Authorization": "hush-harbour"}, 401),
        ({"Authorization": "Bearer h\u00fcsh"}, 401),
    ],
)
async def test_off_loopback_changes_need_the_token(tmp_path: Path, given: dict[str, str], status: int) -> None:
    async with running(tmp_path, snapshot=snapshot(), host=OPEN_TO_ALL, **token(tmp_path)) as run:
        found, body = await send(run, **given)
        assert found == status
        if status == 401:
            assert "token" in body["error"] and not run.judging.asked


PROXIES = [
    {"X-Forwarded-For": "10.0.0.9"},
    {"X-Forwarded-Host": "lights.example"},
    {"X-Real-IP": "10.0.0.9"},
    {"Forwarded": "for=10.0.0.9"},  # RFC 7239 4
    {"Via": "1.1 proxy"},  # RFC 9110 7.6.3
    # Common practice, no source:
    *({name: "10.0.0.9"} for name in ("X-Forwarded-Server", "x-forwarded-port", "X-Forwarded-By", "X-Forwarded")),
    *({name: "10.0.0.9"} for name in ("X-Client-IP", "True-Client-IP", "CF-Connecting-IP", "X-Cluster-Client-IP")),
    *({name: "10.0.0.9"} for name in ("Client-IP", "X-Original-Host", "X-Original-For")),
]


@pytest.mark.parametrize("headers", [{}, {"Host": "127.0.0.1"}, {"Host": "localhost:8580"}, *PROXIES])
async def test_a_declared_token_is_asked_for_whatever_the_host_says(tmp_path: Path, headers: dict[str, str]) -> None:
    """Also on loopback: a proxy in front may rewrite Host."""
    async with running(tmp_path, snapshot=snapshot(), **token(tmp_path)) as run:
        assert (await send(run, **headers))[0] == 401 and not run.judging.asked
        assert (await send(run, Authorization="Bearer hush-harbour", **headers))[0] == 201


@pytest.mark.parametrize("headers", PROXIES)
async def test_behind_a_proxy_nothing_is_changed_without_a_token(tmp_path: Path, headers: dict[str, str]) -> None:
    async with running(tmp_path, snapshot=snapshot()) as run:
        assert (await send(run, **headers))[0] == 403 and not run.judging.asked


@pytest.mark.parametrize(
    ("host", "status"),
    [
        *((host, 201) for host in ("LOCALHOST", "localhost.", "localhost:", "127.0.0.1:8580", "[::1]:8580")),
        *((host, 403) for host in ("localhost:8580@elsewhere.example", "localhost:abc", "[::1", "[::1]x", "::1")),
    ],
)
async def test_a_change_from_this_computer_names_it(tmp_path: Path, host: str, status: int) -> None:
    async with running(tmp_path, snapshot=snapshot()) as run:
        assert (await send(run, Host=host))[0] == status


@pytest.mark.parametrize("of_target", [True, False])
async def test_a_target_that_names_a_host_counts_like_the_header(tmp_path: Path, of_target: bool) -> None:
    """RFC 9112 3.2.2: a target in absolute form, whose host counts instead of the header's."""
    async with running(tmp_path, snapshot=snapshot()) as run:
        stranger, own = "elsewhere.example", "localhost"
        target, header = (stranger, own) if of_target else (own, stranger)
        async with run.client.get("/healthz") as response:
            reader, writer = await asyncio.open_connection(response.url.host, response.url.port)
        request = f"GET http://{target}/api/v1/house HTTP/1.1\r\nHost: {header}\r\nConnection: close\r\n\r\n"
        writer.write(request.encode())
        assert (await reader.readline()).split()[1] == b"403"
        writer.close()


@pytest.mark.parametrize(("target", "status"), [("", b"200"), ("http://elsewhere.example", b"403")])
async def test_a_request_without_a_host_is_for_the_address_it_came_in_at_and_no_name_is_looked_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, target: str, status: bytes
) -> None:
    """RFC 9112 3.2: only of HTTP/1.1 a Host is required. gethostbyaddr(3) waits for a name server."""
    looked_up: list[str] = []
    monkeypatch.setattr(socket, "getfqdn", lambda name="": looked_up.append(name) or "elsewhere.example")
    async with running(tmp_path, snapshot=snapshot()) as run:
        async with run.client.get("/healthz") as response:
            reader, writer = await asyncio.open_connection(response.url.host, response.url.port)
        writer.write(f"GET {target}/api/v1/house HTTP/1.0\r\n\r\n".encode())
        assert (await reader.readline()).split()[1] == status
        writer.close()
    assert not looked_up


async def test_a_declared_token_that_cannot_be_read_closes_changes_on_loopback_too(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=snapshot(), token_file="absent") as run:
        status, body = await send(run)
        assert status == 403 and "cannot be read" in body["error"]


@pytest.mark.parametrize(
    ("host", "status"),
    [
        *((host, 200) for host in ("127.0.0.1", "localhost:8580", "[::1]:8580", "10.20.0.5:8580", "[fd00::1%eth0]")),
        *((host, 200) for host in ("lights.example", "LIGHTS.example.:80", socket.gethostname())),
        *((host, 403) for host in ("elsewhere.example", "127.0.0.1.elsewhere.example", "xlights.example", "", "[")),
    ],
)
async def test_reads_ask_for_a_name_of_ours(tmp_path: Path, host: str, status: int) -> None:
    """DNS rebinding: a stranger's page whose name points here could read everything."""
    async with running(tmp_path, snapshot=snapshot(), host=OPEN_TO_ALL, hosts=("lights.example",)) as run:
        for path in ("/", "/api/v1/house", "/api/v1/events", "/metrics", "/plain"):
            async with run.client.get(path, headers={"Host": host}) as response:
                assert response.status == status, path
        assert (await run.client.get("/healthz", headers={"Host": host})).status == 200


GIVEN = [
    ({}, 401),
    ({"Authorization": "Bearer hush-harbour"}, 200),
    ({"Authorization": "Bearer other"}, 401),
    ({"Authorization": "Basic " + b64encode(b"anyone:hush-harbour").decode()}, 200),  # RFC 7617: what a browser sends
    ({"Authorization": "Basic " + b64encode(b"hush-harbour").decode()}, 401),
    ({"Authorization": "Basic ***"}, 401),
]


@pytest.mark.parametrize(("headers", "status"), GIVEN)
async def test_reading_needs_the_token_where_the_house_file_says_so(
    tmp_path: Path, headers: dict[str, str], status: int
) -> None:
    async with running(tmp_path, snapshot=listening(), read="token", **token(tmp_path)) as run:
        for path in ("/", "/web/main.js", "/plain", "/api/v1/house", "/api/v1/events", "/metrics", "/nothing"):
            run.front.guard.wrong_tokens.note_right("127.0.0.1")
            async with run.client.get(path, headers=headers) as response:
                assert response.status in ((404,) if path == "/nothing" and status == 200 else (status,)), path
                if status == 401:
                    challenges = response.headers.getall("WWW-Authenticate")
                    assert challenges[0] == "Bearer" and challenges[1].startswith("Basic realm=")
        for path in ("/healthz", "/readyz"):
            assert (await run.client.get(path)).status == 200


async def test_what_a_browser_sends_by_itself_changes_nothing(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=snapshot(), read="token", **token(tmp_path)) as run:
        given = {"Authorization": "Basic " + b64encode(b"anyone:hush-harbour").decode()}
        assert (await send(run, **given))[0] == 401 and not run.judging.asked


@pytest.mark.parametrize("method", ["GET", "POST"])
async def test_wrong_tokens_are_slowed_by_address(tmp_path: Path, method: str) -> None:
    async with running(tmp_path, snapshot=snapshot(), read="token", **token(tmp_path)) as run:
        what = (method, "/api/v1/marks", {"text": "x"} if method == "POST" else None)
        found = [(await send(run, what, Authorization=f"Bearer guess-{number}"))[0] for number in range(20)]
        assert found[:6] == [401] * 6 and set(found[6:]) == {429}
        async with run.client.get("/api/v1/marks", headers={"Authorization": "Bearer hush-harbour"}) as response:
            assert response.status == 429 and int(response.headers["Retry-After"]) >= 1, "nor is a right one compared"
        assert (await run.client.get("/healthz")).status == 200


@pytest.mark.parametrize(
    "what",
    [
        SEEN,
        ("PUT", "/api/v1/house/phase", {"phase": "show"}),
        ("POST", "/api/v1/house/reload", None),
        ("POST", "/api/v1/incidents/7/acknowledge", {"by": "Ann"}),
        ("DELETE", "/api/v1/incidents/7/acknowledge", None),
        ("POST", "/api/v1/rig-check", None),
        ("POST", "/api/v1/lamp-changes", {}),
    ],
)
async def test_every_change_asks_for_it_and_reading_never_does(tmp_path: Path, what: tuple[str, str, Any]) -> None:
    async with running(tmp_path, snapshot=snapshot(), host=OPEN_TO_ALL, **token(tmp_path)) as run:
        async with run.client.request(what[0], what[1], json=what[2]) as response:
            assert response.status == 401 and response.headers["WWW-Authenticate"] == "Bearer"
        assert (await run.client.get("/api/v1/universes")).status == 200
        assert not run.judging.asked


@pytest.mark.parametrize(("text", "reason"), [(None, "no token_file"), ("", "is empty"), ("absent", "cannot be read")])
async def test_without_a_usable_token_nothing_can_be_changed_from_outside(
    tmp_path: Path, text: str | None, reason: str
) -> None:
    given = {} if text is None else {"token_file": "absent"} if text == "absent" else token(tmp_path, text)
    async with running(tmp_path, snapshot=snapshot(), host=OPEN_TO_ALL, **given) as run:
        status, body = await send(run, Authorization="Bearer ")
        assert status == 403 and reason in body["error"]
        house = await (await run.client.get("/api/v1/house")).json()
        assert reason in house["listener"]["trouble"][0], "and the page says so"


@pytest.mark.parametrize(
    ("headers", "allowed"),
    [
        ({"Origin": "http://elsewhere.example"}, False),
        ({"Origin": "null"}, False),
        ({"Sec_Fetch_Site": "cross-site"}, False),
        ({"Sec_Fetch_Site": "same-site"}, False),
        ({"Sec_Fetch_Site": "same-origin"}, True),
        ({"Sec_Fetch_Site": "none"}, True),
        ({"Host": "elsewhere.example"}, False),
        ({"Host": "elsewhere.example:8580", "Origin": "http://elsewhere.example:8580"}, False),
        ({"Host": "localhost:8580", "Origin": "http://localhost:8580"}, True),
        ({"Host": "[::1]:8580"}, True),
        ({"Host": "127.0.0.1.elsewhere.example"}, False),
    ],
)
async def test_another_sites_page_can_change_nothing(tmp_path: Path, headers: dict[str, str], allowed: bool) -> None:
    """Also not one whose name was made to point at 127.0.0.1."""
    async with running(tmp_path, snapshot=snapshot()) as run:
        status, _ = await send(run, **headers)
        assert (status == 201) is allowed and (status == 403) is not allowed


async def test_another_sites_page_is_refused_even_with_the_token(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=snapshot(), host=OPEN_TO_ALL, **token(tmp_path)) as run:
        status, _ = await send(run, Authorization="Bearer hush-harbour", Origin="http://elsewhere.example")
        assert status == 403


@pytest.mark.parametrize("path", ["/", "/api/v1/house", "/metrics", "/nothing", "/api/v1/universes/e131/9", "/plain"])
async def test_every_answer_carries_the_security_headers(tmp_path: Path, path: str) -> None:
    async with running(tmp_path, snapshot=snapshot()) as run, run.client.get(path) as response:
        policy = response.headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy and "unsafe" not in policy and "frame-ancestors 'none'" in policy
        assert response.headers["X-Content-Type-Options"] == "nosniff"
        assert response.headers["Referrer-Policy"] == "same-origin"
        assert "Server" not in response.headers or "aiohttp" not in response.headers["Server"]


@pytest.mark.parametrize(
    ("body", "content_type", "status"),
    [
        (b"{", "application/json", 400),
        (b"[1]", "application/json", 400),
        (b"[" * 9000, "application/json", 400),
        (b"\xff\xfe", "application/json", 400),
        (b'{"text": 7}', "application/json", 400),
        (b'{"text": "  "}', "application/json", 400),
        (b'{"text": "\\ud800\\u0000"}', "application/json", 400),
        (b'{"text": "' + b"x" * 501 + b'"}', "application/json", 400),
        (b"text=x", "application/x-www-form-urlencoded", 415),
        (b'{"text": "x"}', "text/plain", 415),
        (b'{"text": "' + b"x" * LARGEST_BODY_BYTES + b'"}', "application/json", 413),
    ],
)
async def test_bodies_that_make_no_sense_are_refused_with_a_sentence(
    tmp_path: Path, body: bytes, content_type: str, status: int
) -> None:
    async with running(tmp_path, snapshot=snapshot()) as run:
        headers = {"Content-Type": content_type}
        async with run.client.post("/api/v1/marks", data=body, headers=headers) as response:
            assert response.status == status
            assert (await response.json())["error"].endswith(".")
        assert not run.judging.asked


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Content-Type": "application/x-www-form-urlencoded"}, 201),  # what `curl -d` and urllib send by themselves
        ({}, 201),
        ({"Content-Type": "application/x-www-form-urlencoded", "Origin": "http://127.0.0.1"}, 403),
        ({"Content-Type": "application/x-www-form-urlencoded", "Sec-Fetch-Site": "none"}, 415),
        ({"Content-Type": "text/plain"}, 415),
    ],
)
async def test_a_program_need_not_say_that_its_json_is_json(
    tmp_path: Path, headers: dict[str, str], status: int
) -> None:
    # As documented: "HTTP (JSON …)" and no word of headers; a browser has to say it, since forms of other sites do not
    async with running(tmp_path, snapshot=snapshot()) as run:
        body, skip = b'{"text": "x"}', ["Content-Type"]
        async with run.client.post("/api/v1/marks", data=body, headers=headers, skip_auto_headers=skip) as response:
            assert response.status == status


async def test_the_schemes_case_says_nothing(tmp_path: Path) -> None:
    # RFC 9110 11.1: "a case-insensitive token to identify the authentication scheme"
    async with running(tmp_path, snapshot=snapshot(), host=OPEN_TO_ALL, **token(tmp_path)) as run:
        assert (await send(run, Authorization="bearer hush-harbour"))[0] == 201
        assert (await send(run, Authorization="Basic hush-harbour"))[0] == 401


async def test_a_wrong_method_says_so(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=snapshot()) as run, run.client.delete("/api/v1/house") as response:
        assert response.status == 405 and "GET" in response.headers["Allow"]
        assert (await response.json())["error"].endswith(".")


@pytest.mark.parametrize(
    ("host", "expected"),
    [
        *((host, True) for host in ("127.0.0.1", "::1", "[::1]", "localhost", "127.9.9.9")),
        *((host, False) for host in ("0.0.0.0", "::", "10.0.0.1", "", "localhost.example")),
    ],
)
def test_loopback(host: str, expected: bool) -> None:
    assert is_loopback(host) is expected
