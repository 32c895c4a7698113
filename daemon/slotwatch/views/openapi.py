"""The API's description in OpenAPI 3.1, made from the types that the answers have."""

from __future__ import annotations

from collections.abc import Mapping

import msgspec

from slotwatch import __version__
from slotwatch.views.answers.words import ErrorAnswer
from slotwatch.views.endpoint import Endpoint, Parameter
from slotwatch.views.endpoints import ENDPOINTS

_REF = "#/components/schemas/{name}"
_CHANGES = ("post", "put", "delete")
_REFUSALS = {
    400: "Something in the request is wrong; the sentence says what would be right.",
    401: "The token is missing or wrong.",
    403: "Another site's page asks, the name in Host is not this page's, or no token is declared.",
    404: "It does not exist.",
    408: "The body did not come in time.",
    409: "It is refused, and the sentence says why.",
    413: "The body is too large.",
    415: "The body is not JSON.",
    429: "Too many wrong tokens came from this address.",
    503: "Not now: judging has not published yet, the history cannot be read yet, or too many connections are open.",
}


def document(server: str = "") -> dict[str, object]:
    """The whole description. server: address of the page; empty: where the description was read."""
    types = [one.answer for one in ENDPOINTS if one.answer is not None]
    bodies = [one.body for one in ENDPOINTS if one.body is not None]
    found, components = msgspec.json.schema_components([*types, *bodies, ErrorAnswer], ref_template=_REF)
    schemas = dict(zip(map(_key, [*types, *bodies, ErrorAnswer]), found, strict=True))
    for body in bodies:
        # An order with a key that is not known is refused; an answer may get further keys with time.
        components[body.__name__]["additionalProperties"] = False
    paths: dict[str, dict[str, object]] = {}
    for one in ENDPOINTS:
        paths.setdefault(one.path, {})[one.method] = _operation(one, schemas)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "slotwatch",
            "version": __version__,
            "description": "Monitors DMX data and explains why it failed. Times are ISO 8601 UTC with milliseconds.",
            "license": {"name": "Apache-2.0", "identifier": "Apache-2.0"},
        },
        "servers": [{"url": server or "/"}],
        "paths": paths,
        "components": {
            "schemas": components,
            "securitySchemes": {
                "token": {
                    "type": "http",
                    "scheme": "bearer",
                    "description": "The house's token, where one is declared.",
                }
            },
        },
    }


def _operation(one: Endpoint, schemas: Mapping[str, object]) -> dict[str, object]:
    content: dict[str, object] = {
        media: {"schema": {"type": "string"}} if media.startswith("text/") else {} for media in one.media
    }
    if one.path.endswith("openapi.json"):
        content = {"application/json": {"schema": {"type": "object"}}}
    if one.answer is not None:
        content = {"application/json": {"schema": schemas[_key(one.answer)]}, **content}
    refusal = {"content": {"application/json": {"schema": schemas[_key(ErrorAnswer)]}}}
    is_change = one.method in _CHANGES
    statuses = {403, *one.refusals, *((503,) if one.needs_judging else ())}
    if is_change:
        statuses |= {400, 401, 408, 413, 415, 429, 503}
    elif not one.is_open:
        statuses |= {401, 429, 503}
    if one.is_open:
        statuses -= {403}
    made: dict[str, object] = {
        "operationId": _operation_id(one),
        "summary": one.summary,
        "responses": {
            str(one.status): {"description": one.summary, "content": content},
            **{str(status): {"description": _REFUSALS[status], **refusal} for status in sorted(statuses)},
        },
        # Where no token is declared, changes from this computer itself need none; reading needs one where it says so.
        "security": [] if one.is_open else [{"token": []}, {}],
    }
    if one.parameters:
        made["parameters"] = [_parameter(given) for given in one.parameters]
    if one.body is not None:
        is_needed = bool(getattr(one.body, "__required_keys__", ()))
        made["requestBody"] = {
            "required": is_needed,
            "content": {"application/json": {"schema": schemas[_key(one.body)]}},
        }
    return made


def _parameter(given: Parameter) -> dict[str, object]:
    made = {
        "name": given.name,
        "in": given.where,
        "required": given.where == "path",
        "description": given.sentence,
        "schema": given.schema,
    }
    return made if given.example is None else {**made, "example": given.example}


def _operation_id(one: Endpoint) -> str:
    parts = [part.strip("{}") for part in one.path.replace(".", "/").split("/") if part not in ("", "api", "v1")]
    return "_".join([one.method, *parts]).replace("-", "_")


def _key(kind: object) -> str:
    return repr(kind)
