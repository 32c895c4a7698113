"""Every request that the HTTP API answers: its parameters, its body, its answers. Made into OpenAPI by `openapi`.

A request that is added to the server is added here: a test compares both.
"""

from __future__ import annotations

from slotwatch.views.answers import faults, orders, references, report, stage, traffic, usual
from slotwatch.views.endpoint import Endpoint, Parameter, Schema
from slotwatch.views.streams import COMPACT
from slotwatch.wire.universe import Protocol

_TIME: Schema = {"type": "string"}
_WORDS = [protocol.word for protocol in Protocol]
_PROTOCOL = Parameter("protocol", "path", "Protocol.", {"type": "string", "enum": _WORDS}, "e131")
_NUMBER = Parameter(
    "number", "path", "Number of the universe, `@` and the network where there are several.", {"type": "string"}, "1"
)
_ID = Parameter(
    "id", "path", "Number of the incident.", {"type": "integer", "minimum": 0, "maximum": 999_999_999_999_999}, 1
)
_SINCE = Parameter("since", "query", "ISO 8601; without a zone it is UTC.", _TIME)
_UNTIL = Parameter("until", "query", "ISO 8601; left out: now.", _TIME)
_REFERENCE = Parameter("name", "path", "Name of the reference levels.", {"type": "string"}, "act 1 opening")
_RACK = Parameter("name", "path", "Name of the rack.", {"type": "string"}, "Rack 1")
_WAYS = Parameter(
    "ways",
    "query",
    "Whether each rack lists its ways; their counts are always there.",
    {"type": "string", "enum": ["listed", "counted"]},
    "listed",
)
_AS_CSV = Parameter("format", "query", "How it is written.", {"type": "string", "enum": ["json", "csv"]}, "json")
_ONE_REFERENCE = f"/api/v1/references/{{{_REFERENCE.name}}}"
_ONE_INCIDENT = f"/api/v1/incidents/{{{_ID.name}}}"
_ONE_UNIVERSE = f"/api/v1/universes/{{{_PROTOCOL.name}}}/{{{_NUMBER.name}}}"

ENDPOINTS: tuple[Endpoint, ...] = (
    Endpoint("get", "/healthz", "Whether this process runs", media=("text/plain",), needs_judging=False, is_open=True),
    Endpoint("get", "/readyz", "Whether packets are judged", media=("text/plain",), is_open=True),
    Endpoint("get", "/metrics", "Metrics for Prometheus", media=("text/plain", "application/openmetrics-text")),
    Endpoint("get", "/plain", "The facts as a page without scripts", media=("text/html",)),
    Endpoint("get", "/plain.css", "Style of that page", media=("text/css",), needs_judging=False),
    Endpoint(
        "get",
        "/api/v1/openapi.json",
        "This description",
        media=("application/json",),
        needs_judging=False,
    ),
    Endpoint("get", "/api/v1/house", "The house and this listener's own health", stage.HouseAnswer),
    Endpoint(
        "put",
        "/api/v1/house/phase",
        "Set the phase",
        stage.PhaseSetAnswer,
        body=orders.PhaseOrder,
        refusals=(409,),
        needs_judging=False,
    ),
    Endpoint(
        "post",
        "/api/v1/house/reload",
        "Read the house file again",
        stage.ReloadedAnswer,
        refusals=(409,),
        needs_judging=False,
    ),
    Endpoint("get", "/api/v1/house/draft", "A first house file, made of what is heard", media=("text/plain",)),
    Endpoint("get", "/api/v1/rules", "Every rule with its numbers", list[faults.RuleAnswer], needs_judging=False),
    Endpoint("get", "/api/v1/readiness", "The half-hour call", faults.ReadinessAnswer),
    Endpoint("get", "/api/v1/universes", "All universes", list[traffic.UniverseAnswer]),
    Endpoint(
        "get",
        _ONE_UNIVERSE,
        "One universe with its levels and streams",
        traffic.UniverseDetailAnswer,
        parameters=(_PROTOCOL, _NUMBER),
        refusals=(404,),
    ),
    Endpoint(
        "get",
        f"{_ONE_UNIVERSE}/history",
        "Minute summaries of a universe",
        traffic.HistoryAnswer,
        parameters=(
            _PROTOCOL,
            _NUMBER,
            Parameter("hours", "query", "The last hours, where `since` is not given.", {"type": "number"}, 1),
            _SINCE,
            _UNTIL,
        ),
        refusals=(400, 404),
    ),
    Endpoint(
        "get",
        f"{_ONE_UNIVERSE}/usual",
        "What is usual for a universe, from this house's own shows",
        usual.UsualAnswer,
        parameters=(_PROTOCOL, _NUMBER),
        refusals=(404,),
    ),
    Endpoint(
        "get",
        f"{_ONE_UNIVERSE}/elsewhere",
        "A universe as it is heard here and at the other listeners of the house",
        traffic.ElsewhereAnswer,
        parameters=(_PROTOCOL, _NUMBER),
        refusals=(404,),
    ),
    Endpoint(
        "get",
        "/api/v1/usual",
        "What is usual for the whole house, and what grows worse from show to show",
        usual.HouseUsualAnswer,
        needs_judging=False,
    ),
    Endpoint("get", "/api/v1/sources", "All sources", list[traffic.SourceAnswer]),
    Endpoint(
        "get",
        "/api/v1/streams",
        "The state of every stream; with an ETag",
        list[traffic.StreamPositionAnswer],
        media=(COMPACT,),
    ),
    Endpoint(
        "get",
        "/api/v1/network",
        "Which switch port this listener is on (LLDP), and the switches of the house (SNMP)",
        traffic.NetworkAnswer,
    ),
    Endpoint("get", "/api/v1/listeners", "Other listeners of the house", list[traffic.OtherListenerAnswer]),
    Endpoint("get", "/api/v1/receivers", "Declared receivers", list[traffic.ReceiverAnswer]),
    Endpoint("get", "/api/v1/fixtures", "Patched fixtures with their levels", list[stage.FixtureAnswer]),
    Endpoint("get", "/api/v1/patch", "The patch and its conflicts", stage.PatchAnswer),
    Endpoint(
        "get",
        "/api/v1/racks",
        "Racks with their estimated currents",
        list[stage.RackAnswer],
        parameters=(_WAYS,),
        refusals=(400,),
    ),
    Endpoint(
        "get",
        f"/api/v1/racks/{{{_RACK.name}}}",
        "One rack with its ways",
        stage.RackAnswer,
        parameters=(_RACK,),
        refusals=(404,),
    ),
    Endpoint("get", "/api/v1/routes", "Routes and their state", list[stage.RouteAnswer]),
    Endpoint("get", "/api/v1/hours", "Estimated hours of lamps", list[stage.HoursAnswer]),
    Endpoint(
        "get",
        "/api/v1/incidents",
        "Incidents, the newest first",
        list[faults.IncidentAnswer],
        parameters=(
            Parameter("state", "query", "Which.", {"type": "string", "enum": ["open", "closed", "all"]}, "open"),
            _SINCE,
            Parameter(
                "limit", "query", "At most this many.", {"type": "number", "exclusiveMinimum": 0, "maximum": 10000}
            ),
        ),
        refusals=(400,),
    ),
    Endpoint(
        "get",
        _ONE_INCIDENT,
        "One incident with its timeline",
        faults.IncidentDetailAnswer,
        parameters=(_ID,),
        refusals=(404,),
    ),
    Endpoint(
        "get",
        f"{_ONE_INCIDENT}/packets",
        "Packets around an incident",
        media=("application/x-pcapng",),
        parameters=(_ID,),
        refusals=(404,),
        needs_judging=False,
    ),
    Endpoint(
        "get",
        f"{_ONE_INCIDENT}/levels",
        "Levels over time around an incident",
        faults.LevelsAnswer,
        parameters=(_ID, Parameter("universe", "query", "One of its universes.", {"type": "string"}, "e131/1")),
        refusals=(400, 404),
        needs_judging=False,
    ),
    Endpoint(
        "post",
        f"{_ONE_INCIDENT}/acknowledge",
        "Take an incident on",
        faults.AcknowledgementAnswer,
        parameters=(_ID,),
        body=orders.AcknowledgeOrder,
        refusals=(404, 409),
    ),
    Endpoint(
        "delete",
        f"{_ONE_INCIDENT}/acknowledge",
        "Take the acknowledgement back",
        faults.AcknowledgementAnswer,
        parameters=(_ID,),
        body=orders.TakeBackOrder,
        refusals=(404, 409),
    ),
    Endpoint(
        "post",
        f"{_ONE_INCIDENT}/accept",
        "Accept an incident until an end",
        faults.AcceptanceAnswer,
        parameters=(_ID,),
        body=orders.AcceptOrder,
        refusals=(404, 409),
    ),
    Endpoint(
        "delete",
        f"{_ONE_INCIDENT}/accept",
        "Take the exception back",
        faults.AcceptanceAnswer,
        parameters=(_ID,),
        body=orders.TakeBackOrder,
        refusals=(404, 409),
    ),
    Endpoint(
        "get",
        "/api/v1/marks",
        "Marks in the history",
        list[faults.MarkAnswer],
        parameters=(_SINCE, Parameter("until", "query", "ISO 8601; left out: all.", _TIME)),
        refusals=(400,),
        needs_judging=False,
    ),
    Endpoint(
        "post",
        "/api/v1/marks",
        "Mark this moment",
        faults.StoredMarkAnswer,
        body=orders.MarkOrder,
        status=201,
    ),
    Endpoint(
        "post",
        "/api/v1/notifications/test",
        "Send a marked test message",
        list[stage.NoticeTestAnswer],
        body=orders.NoticeTestOrder,
        refusals=(404, 409),
        needs_judging=False,
    ),
    Endpoint(
        "get",
        "/api/v1/references",
        "Reference levels that are kept, the newest first",
        list[references.ReferenceAnswer],
        needs_judging=False,
    ),
    Endpoint(
        "post",
        "/api/v1/references",
        "Keep the present levels under a name; answered after 2.5 s, once it is known what moves",
        references.ReferenceKeptAnswer,
        body=orders.ReferenceOrder,
        status=201,
        refusals=(409,),
    ),
    Endpoint(
        "get",
        _ONE_REFERENCE,
        "Reference levels by fixture and role",
        references.ReferenceDetailAnswer,
        media=("text/csv",),
        parameters=(_REFERENCE, _AS_CSV),
        refusals=(400, 404, 409),
        needs_judging=False,
    ),
    Endpoint(
        "delete",
        _ONE_REFERENCE,
        "Delete reference levels",
        references.ReferenceDeletedAnswer,
        parameters=(_REFERENCE,),
        refusals=(404,),
        needs_judging=False,
    ),
    Endpoint(
        "get",
        f"{_ONE_REFERENCE}/compare",
        "What differs now from reference levels, the worst first",
        references.ComparisonAnswer,
        media=("text/csv",),
        parameters=(
            _REFERENCE,
            Parameter(
                "tolerance_percent",
                "query",
                "What differs by more is listed; left out: the house file's.",
                {"type": "number", "minimum": 0, "maximum": 100},
            ),
            _AS_CSV,
        ),
        refusals=(400, 404, 409),
    ),
    Endpoint("get", "/api/v1/rig-check", "The rig check that runs or ran last", stage.RigCheckAnswer),
    Endpoint(
        "post",
        "/api/v1/rig-check",
        "Begin a rig check, or end it",
        stage.RigOrderAnswer,
        body=orders.RigCheckOrder,
        refusals=(409,),
        needs_judging=False,
    ),
    Endpoint(
        "post",
        "/api/v1/lamp-changes",
        "A lamp was changed",
        stage.LampAnswer,
        body=orders.LampOrder,
        refusals=(409,),
        needs_judging=False,
    ),
    Endpoint(
        "post",
        "/api/v1/ask-fixtures",
        "Have fixtures asked for what they are",
        stage.AskedAnswer,
        body=orders.AskOrder,
        refusals=(409,),
        needs_judging=False,
    ),
    Endpoint(
        "delete",
        "/api/v1/ask-fixtures",
        "Stop asking",
        stage.AskedAnswer,
        refusals=(409,),
        needs_judging=False,
    ),
    Endpoint(
        "get",
        "/api/v1/report",
        "The show report",
        report.ShowReport,
        media=("text/html", "text/csv"),
        parameters=(
            Parameter(
                "format", "query", "How it is written.", {"type": "string", "enum": ["html", "json", "csv"]}, "json"
            ),
            _SINCE,
            _UNTIL,
        ),
        refusals=(400,),
    ),
    Endpoint(
        "get",
        "/api/v1/events",
        "Server-sent events `universes`, `incident`, `house`; with `universe` also its own",
        media=("text/event-stream",),
        parameters=(Parameter("universe", "query", "A universe whose levels are wanted.", {"type": "string"}),),
    ),
)
