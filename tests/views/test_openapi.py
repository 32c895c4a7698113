"""The API's description: it is OpenAPI 3.1, names every request of the server, and what is answered fits it.

Judges from outside: openapi-spec-validator (the schema of the OpenAPI Initiative) and jsonschema.
"""

from __future__ import annotations

import asyncio
import json
import re
import sys
from pathlib import Path
from textwrap import dedent
from typing import Any

import jsonschema
import pytest
from openapi_spec_validator import OpenAPIV31SpecValidator
from referencing import Registry, Resource

from slotwatch.edge.front import references
from slotwatch.edge.front.events import Listeners
from slotwatch.edge.front.page_files import PAGES
from slotwatch.edge.front.server import build_app
from slotwatch.views.openapi import document
from slotwatch.wire import pcap, pcap_blocks
from tests.edge.front_house import running
from tests.patience import PATIENCE_S
from tests.views.fabricate import incident, rack, snapshot
from tests.views.test_levels import sent

DOCUMENT = json.loads(json.dumps(document()))
PAGE_PATHS = {*PAGES, "/web/{name}"}


def closed(schema: Any) -> Any:
    """The same schema, in which an object may hold nothing that is not described."""
    if isinstance(schema, list):
        return [closed(one) for one in schema]
    if not isinstance(schema, dict):
        return schema
    found = {key: closed(one) for key, one in schema.items()}
    if found.get("type") == "object" and "properties" in found:
        found["additionalProperties"] = False
    return found


CLOSED = closed(DOCUMENT)


def answer_fits(method: str, path: str, status: int, body: Any) -> None:
    """Fail unless the answer is described for this request, and holds all that is described and nothing more."""
    operation = CLOSED["paths"][path][method]
    assert str(status) in operation["responses"], f"{method} {path} answered {status}"
    schema = operation["responses"][str(status)]["content"]["application/json"]["schema"]
    registry: Registry[Any] = Registry().with_resource("urn:api", Resource.from_contents(CLOSED, _draft()))
    wanted = json.loads(json.dumps(schema).replace('"#/', '"urn:api#/'))
    jsonschema.Draft202012Validator(wanted, registry=registry).validate(body)


def _draft() -> Any:
    from referencing.jsonschema import DRAFT202012

    return DRAFT202012


def test_it_is_openapi_3_1() -> None:
    OpenAPIV31SpecValidator(DOCUMENT).validate()
    assert DOCUMENT["openapi"].startswith("3.1.")


def test_it_names_every_request_and_no_other(tmp_path: Path) -> None:
    from slotwatch.edge.front.front import Front
    from slotwatch.edge.front.guard import Guard
    from slotwatch.edge.front.history import History
    from tests.edge.front_house import Judging, MadeUpSnapshots, Packets
    from tests.views.fabricate import house

    history = History(tmp_path / "history.db", 30)
    front = Front(house(), MadeUpSnapshots(), Judging().ask, Guard(house()))
    served = set()
    for route in build_app(front, history, Packets(tmp_path), Listeners()).router.routes():
        assert route.resource is not None
        path = re.sub(r"\{(\w+)(:[^}]*)?\}", r"{\1}", route.resource.canonical)
        if path not in PAGE_PATHS and path not in {re.sub(r":[^}]*", "", page) for page in PAGES}:
            served.add((route.method.lower(), path.replace("/universes/{name}", "/universes/{protocol}/{number}")))
    history.close()
    described = {(method, path) for path, one in DOCUMENT["paths"].items() for method in one}
    assert {one for one in served if one[0] != "head"} == described


GETS = [
    (path.replace("{protocol}", "e131").replace("{number}", "1").replace("{id}", "7").replace("{name}", "act-1"), path)
    for path, one in DOCUMENT["paths"].items()
    if "application/json" in one.get("get", {}).get("responses", {}).get("200", {}).get("content", {})
]


@pytest.mark.parametrize(("asked", "path"), GETS, ids=[path for _, path in GETS])
async def test_what_is_read_fits(tmp_path: Path, asked: str, path: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(references, "AFTER_S", 0.0)
    kept = pcap_blocks.header([pcap.CaptureInterface(101)]) + pcap_blocks.packet(1, sent(1, bytes([7])))
    (tmp_path / "incident-7.pcapng").write_bytes(kept)
    async with running(tmp_path, snapshot=snapshot(incidents=(incident(),), racks=(rack("act-1", 31.25),))) as run:
        query = {"report": "?format=json", "levels": "?universe=e131/1"}.get(path.rpartition("/")[2], "")
        if path.endswith(("/report", "/usual")):  # the first that is written makes the history's file
            await (await run.client.post("/api/v1/marks", json={"text": "curtain up"})).read()
        if "/references" in path:
            async with run.client.post("/api/v1/references", json={"name": "act-1"}) as response:
                answer_fits("post", "/api/v1/references", 201, await response.json())
        async with run.client.get(asked + query) as response:
            if path.endswith("/openapi.json"):
                assert await response.json() == DOCUMENT
            else:
                answer_fits("get", path, response.status, await response.json())
                assert response.status == 200


@pytest.mark.parametrize(
    ("method", "path", "body", "status"),
    [
        ("post", "/api/v1/marks", {"text": "rain"}, 201),
        ("post", "/api/v1/marks", {}, 400),
        ("post", "/api/v1/incidents/{id}/acknowledge", {"by": "Ann"}, 200),
        ("delete", "/api/v1/incidents/{id}/acknowledge", {}, 200),
        ("put", "/api/v1/house/phase", {"phase": "show"}, 200),
        ("post", "/api/v1/house/reload", {}, 200),
        ("put", "/api/v1/house/phase", {"phase": "tea"}, 400),
    ],
)
async def test_what_is_changed_fits(tmp_path: Path, method: str, path: str, body: Any, status: int) -> None:
    async with (
        running(tmp_path, snapshot=snapshot()) as run,
        run.client.request(method, path.replace("{id}", "7"), json=body) as response,
    ):
        assert response.status == status
        answer_fits(method, path, response.status, await response.json())


async def test_before_the_first_snapshot_everything_says_so_as_described(tmp_path: Path) -> None:
    async with running(tmp_path) as run:
        for asked, path in GETS:
            async with run.client.get(asked) as response:
                if response.status != 200:
                    answer_fits("get", path, response.status, await response.json())


async def test_the_token_is_asked_for_as_described(tmp_path: Path) -> None:
    (tmp_path / "token").write_text("hush")
    async with running(tmp_path, snapshot=snapshot(), token_file="token", read="token") as run:
        headers = {"Authorization": "Bearer wrong"}
        for given, statuses in ((None, {401}), (headers, {401, 429})):
            for asked, path in GETS:
                async with run.client.get(asked, headers=given) as response:
                    assert response.status in statuses
                    answer_fits("get", path, response.status, await response.json())


def test_a_field_that_is_not_described_is_noticed() -> None:
    mark = {"at": "2026-01-01T00:00:00.000Z", "text": "", "by": ""}
    answer_fits("get", "/api/v1/marks", 200, [mark])
    with pytest.raises(jsonschema.ValidationError):
        answer_fits("get", "/api/v1/marks", 200, [{**mark, "more": 1}])


API_PAGE = (Path(__file__).parents[2] / "docs" / "api.md").read_text(encoding="utf-8")


def test_each_request_has_one_example() -> None:
    shown = re.findall(r"`curl -sN? ?(?:-o \S+ )?(?:-X (\w+) )?(?:-d '[^']*' )?\"?\$S([^`\"?]*)", API_PAGE)
    found = {
        (
            (method or "GET").lower(),
            re.sub(
                "/(act-1|Rack%201)", "/{name}", path.replace("e131/12", "{protocol}/{number}").replace("/7", "/{id}")
            ),
        )
        for method, path in shown
    }
    described = {(method, path) for path, one in DOCUMENT["paths"].items() for method in one}
    assert found == described - {("get", "/plain.css")}


async def test_the_documented_lines_of_python_say_what_is_wrong(tmp_path: Path) -> None:
    found = re.search(r"^    import json.*\n(?:    .*\n)+", API_PAGE, re.M)
    assert found is not None and len(found[0].splitlines()) == 10
    async with running(tmp_path, snapshot=snapshot()) as run:
        text = dedent(found[0]).replace("http://127.0.0.1:8580", str(run.client.make_url("")).rstrip("/"))
        asking = await asyncio.create_subprocess_exec(sys.executable, "-c", text, stdout=asyncio.subprocess.PIPE)
        assert asking.stdout is not None
        try:
            async with asyncio.timeout(PATIENCE_S):
                wanted = 'Universe e131/2 ("Label 2") is lost.'
                assert (await asking.stdout.readline()).decode().strip() == f"critical {wanted}"
                assert (await asking.stdout.readline()).decode().strip() == wanted, "from the stream of events"
        finally:
            asking.kill()
            await asking.wait()
