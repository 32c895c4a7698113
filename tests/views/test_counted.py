"""What was counted and not used: in the API, among the metrics, and never a reason to tell every page again."""

from __future__ import annotations

from dataclasses import replace

from prometheus_client.parser import text_string_to_metric_families as read_text

from slotwatch.snapshot import Snapshot
from slotwatch.snapshot.health import LineHealth
from slotwatch.snapshot.routes import LinePort
from slotwatch.views import api
from slotwatch.views.counted import COUNTED, counted
from slotwatch.views.feed import Changes
from slotwatch.views.metrics import encode_metrics
from slotwatch.views.sheet import Sheet
from tests.views.fabricate import route, snapshot

ROUTES = {
    "routes_own_packets": 1,
    "routes_refused_packets": 2,
    "routes_discarded_packets": 3,
    "routes_skipped_packets": 4,
    "routes_unsent_packets": 11,
    "node_unanswered_polls": 5,
}
PORT = LinePort("/p", 1, True, "", 6)
ROWS = (
    route("a", input_refused_packets=2, input_discarded_packets=3, line=PORT),
    route("b", input_discarded_packets=1, line=PORT),
    route("c"),
)
LINES = (LineHealth(1, "/l", True, "", 0, 0, 0, 0, 7, 10), LineHealth(2, "/m", True, "", 0, 0, 0, 0, 1, 0))
WANTED = {**ROUTES, "lines_dropped_frames": 8, "serial_ports_reopened": 16, "page_dropped_streams": 9}


def taken(routes: dict[str, int]) -> Snapshot:
    made = snapshot(routes=ROWS)
    made.house.listener = replace(made.house.listener, counted=counted(routes, ROWS, LINES))
    return made


def test_two_routes_of_one_port_reopened_it_once() -> None:
    assert counted({}, ROWS, ()) == {"lines_dropped_frames": 0, "serial_ports_reopened": 6}


def test_the_house_says_every_number_and_begins_at_zero() -> None:
    counted = api.house(taken(ROUTES), own={"page_dropped_streams": 9})["listener"]
    assert {name: counted[name] for name in COUNTED} == WANTED
    fresh = api.house(snapshot())["listener"]
    assert {name: fresh[name] for name in COUNTED} == dict.fromkeys(COUNTED, 0)


def test_each_is_a_counter_among_the_metrics() -> None:
    text = encode_metrics(Sheet(taken(ROUTES)), "", own={"page_dropped_streams": 9})[0].decode()
    families = {family.name.removeprefix("slotwatch_"): family for family in read_text(text)}
    assert {name: families[name].samples[0].value for name in COUNTED} == WANTED
    assert {families[name].type for name in COUNTED} == {"counter"}
    of_routes = {sample.labels["route"]: sample.value for sample in families["route_discarded_packets"].samples}
    assert of_routes == {"a": 3, "b": 1, "c": 0}
    assert [sample.value for sample in families["route_refused_packets"].samples] == [2, 0, 0]


def test_a_flood_that_counts_up_does_not_tell_every_page_of_it() -> None:
    """Pages ask for the listener's health by themselves; 4 times a second to all would cost more than it says."""
    changes, now = Changes(), taken(ROUTES)
    changes.take(Sheet(now), api.house(now))
    later = replace(taken({**ROUTES, "routes_discarded_packets": 4000}), now_ns=now.now_ns + 250_000_000)
    assert [name for name, _ in changes.take(Sheet(later), api.house(later)) if name == "house"] == []
