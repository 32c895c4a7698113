"""The page's files: each address of a view gives the page, names lead nowhere else, and nothing is sent twice."""

from __future__ import annotations

from pathlib import Path

import pytest

from slotwatch.edge.shared.shipped import directory
from tests.edge.front_house import running
from tests.views.fabricate import snapshot


@pytest.mark.parametrize(
    "path",
    str.split(
        "/ /universes /universe/e131/12 /universe/line/rack-feed /incident/7 /sources /patch /rig-check /racks /routes "
        "/readiness /reports /listener /network"
    ),
)
async def test_every_view_has_its_address(tmp_path: Path, path: str) -> None:
    async with running(tmp_path) as run, run.client.get(path) as response:
        assert response.status == 200 and response.content_type == "text/html" and response.charset == "utf-8"
        assert await response.read() == (directory("web") / "index.html").read_bytes()
        assert response.headers["Content-Encoding"] == "gzip" and response.headers["Cache-Control"] == "no-cache"


async def test_an_unknown_rule_has_no_page_and_is_answered_with_the_one_that_says_so(tmp_path: Path) -> None:
    async with running(tmp_path) as run:
        async with run.client.get("/rules/universe-lost") as response:
            assert response.status == 200
            etag = response.headers["ETag"]
        for headers in ({}, {"If-None-Match": etag}):
            async with run.client.get("/rules/zz", headers=headers) as response:
                assert response.status == 404, "RFC 9110, 15.5.5"
                assert await response.read() == (directory("web") / "index.html").read_bytes()


async def test_scripts_have_the_type_that_modules_need(tmp_path: Path) -> None:
    """HTML standard: a module script with another MIME type is not run; nosniff makes that strict."""
    async with running(tmp_path) as run:
        for path in sorted(directory("web").iterdir()):
            async with run.client.get(f"/web/{path.name}") as response:
                expected = {".js": "text/javascript", ".css": "text/css", ".svg": "image/svg+xml", ".html": "text/html"}
                assert response.status == 200 and response.content_type == expected.get(
                    path.suffix, response.content_type
                )


async def test_what_a_browser_holds_already_is_not_sent_again(tmp_path: Path) -> None:
    async with running(tmp_path) as run:
        etag = (await run.client.get("/")).headers["ETag"]
        async with run.client.get("/sources", headers={"If-None-Match": etag}) as response:
            assert response.status == 304 and await response.read() == b""


@pytest.mark.parametrize("name", ["../pyproject.toml", "..%2fpyproject.toml", "%2e%2e/pyproject.toml", "/etc/hostname"])
async def test_names_lead_out_of_nowhere(tmp_path: Path, name: str) -> None:
    import yarl

    async with running(tmp_path) as run:
        url = yarl.URL(f"http://{run.client.host}:{run.client.port}/web/{name}", encoded=True)
        async with run.client.session.get(url) as response:
            assert response.status == 404


async def test_nothing_but_files_is_served(tmp_path: Path) -> None:
    async with running(tmp_path, snapshot=snapshot()) as run:
        for name in ("", "absent.js", ".", "absent/"):
            assert (await run.client.get(f"/web/{name}")).status == 404
