"""The HTTP answers and metrics of a running daemon, asked from outside while a desk sends to loopback."""

from __future__ import annotations

import http.client
import json
import re
import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from tests.daemon import HEARD, Daemon, desk, ended, running, start
from tests.outside.test_answers import INCIDENT, SOURCE, STATES, UNIVERSE
from tests.patience import PATIENCE_S, until

MORE = '[[sources]]\nname = "main desk"\nsource_name = "test desk"\n'
JSON = {"Content-Type": "application/json"}


@pytest.fixture(scope="module")
def daemon(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Daemon]:
    """A house of two universes with a desk that sends both."""
    with ExitStack() as stack:
        made = stack.enter_context(running(tmp_path_factory.mktemp("page"), more=MORE))
        stack.enter_context(desk(made, range(1, 3)))
        until(lambda: made.universe("e131/2").get("state") in HEARD)
        yield made


def ask(
    daemon: Daemon, method: str, path: str, body: Any = None, headers: dict[str, str] | None = None
) -> tuple[int, Any, http.client.HTTPMessage]:
    """Ask once; the status, the answer (parsed if it is JSON), and its headers."""
    connection = http.client.HTTPConnection("127.0.0.1", daemon.ports.page, timeout=PATIENCE_S)
    try:
        words = body if body is None or isinstance(body, str | bytes) else json.dumps(body)
        connection.request(method, path, words, {**JSON, **(headers or {})})
        answer = connection.getresponse()
        text = answer.read().decode("utf-8", "replace")
        is_json = answer.headers.get("Content-Type", "").startswith("application/json")
        return answer.status, json.loads(text) if is_json and text else text, answer.headers
    finally:
        connection.close()


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("house", dict),
        ("readiness", dict),
        ("universes", list),
        ("universes/e131/1", dict),
        ("universes/e131/1/history", object),
        ("sources", list),
        ("receivers", list),
        ("incidents", list),
        ("incidents?state=all&limit=5", list),
        ("fixtures", list),
        ("patch", dict),
        ("racks", list),
        ("routes", list),
        ("rig-check", dict),
    ],
)
def test_everything_documented_can_be_read(daemon: Daemon, path: str, kind: type) -> None:
    status, answer, headers = ask(daemon, "GET", f"/api/v1/{path}")
    assert (status, isinstance(answer, kind)) == (200, True)
    assert headers["Content-Type"].startswith("application/json")


def test_page_and_health(daemon: Daemon) -> None:
    assert "<html" in ask(daemon, "GET", "/")[1]
    assert ask(daemon, "GET", "/healthz")[0] == ask(daemon, "GET", "/readyz")[0] == 200


def test_the_house_says_who_and_how_it_is(daemon: Daemon) -> None:
    # "name, phase, version, vantage, networks, uptime, faults of the house file, own health"
    house = ask(daemon, "GET", "/api/v1/house")[1]
    assert (house["name"], house["phase"], house["vantage"]) == ("Test house", "show", "port")
    assert (house["faults"], house["networks"]) == ([], ["lo"])
    assert {"version", "listener"} <= set(house)


def test_universes_and_sources_have_the_documented_fields(daemon: Daemon) -> None:
    row = until(lambda: next((u for u in daemon.get("/api/v1/universes") or [] if (u["refresh_hz"] or 0) > 25), None))
    assert set(UNIVERSE) <= set(row)
    assert row["state"] in STATES
    one = ask(daemon, "GET", f"/api/v1/universes/{row['universe']}")[1]
    assert {"levels", "slot_sources", "streams"} <= set(one)
    assert len(one["levels"]) == 512
    (source,) = ask(daemon, "GET", "/api/v1/sources")[1]
    assert set(SOURCE) <= set(source)
    assert (source["declared_as"], source["universes"]) == ("main desk", ["e131/1", "e131/2"])
    assert row["winning_source"] == source["source"]


@pytest.mark.parametrize(
    "path",
    [
        "universes/e131/99",
        "universes/e131/64000",
        "universes/dmx/1",
        "universes/e131/1x",
        "universes/e131/" + "9" * 400,
        "universes/e131/%00",
        "incidents/9999",
        "incidents/x",
        "incidents/99999999999999999999",
        "incidents/9999/packets",
        "nothing",
    ],
)
def test_what_is_not_there_is_404_with_a_sentence(daemon: Daemon, path: str) -> None:
    status, answer, _ = ask(daemon, "GET", f"/api/v1/{path}")
    assert (status, bool(answer["error"])) == (404, True)


@pytest.mark.parametrize("path", ["/web/../../etc/passwd", "/web/%2e%2e/%2e%2e/etc/passwd", "/web//etc/passwd"])
def test_no_file_outside_the_page_is_given(daemon: Daemon, path: str) -> None:
    assert ask(daemon, "GET", path)[0] == 404


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("POST", "house"),
        ("GET", "house/phase"),
        ("DELETE", "universes"),
        ("PUT", "marks"),
        ("GET", "incidents/1/acknowledge"),
    ],
)
def test_wrong_methods_are_405(daemon: Daemon, method: str, path: str) -> None:
    status, answer, headers = ask(daemon, method, f"/api/v1/{path}")
    assert (status, bool(answer["error"]), bool(headers["Allow"])) == (405, True, True)


@pytest.mark.parametrize("words", ["state=ajar", "limit=-1", "limit=x", "since=yesterday"])
def test_wrong_questions_are_400(daemon: Daemon, words: str) -> None:
    assert ask(daemon, "GET", f"/api/v1/incidents?{words}")[0] == 400


@pytest.mark.parametrize(
    "body",
    [
        "",
        "{",
        "[]",
        "null",
        "{}",
        b"\xff\xfe",
        "[" * 5000,
        '{"phase": "party"}',
        '{"phase": 1}',
        '{"phase": "dark", "confirm": "yes"}',
    ],
)
def test_a_phase_that_cannot_be_read_is_400(daemon: Daemon, body: str | bytes) -> None:
    assert ask(daemon, "PUT", "/api/v1/house/phase", body)[0] == 400
    assert ask(daemon, "GET", "/api/v1/house")[1]["phase"] == "show"


def test_a_huge_body_is_refused_and_the_server_lives(daemon: Daemon) -> None:
    assert ask(daemon, "POST", "/api/v1/marks", "x" * 3_000_000)[0] == 413
    assert ask(daemon, "GET", "/healthz")[0] == 200


def test_a_change_from_another_sites_page_is_refused(daemon: Daemon) -> None:
    # common practice (cross-site requests, rebound names), no source
    for headers in (
        {"Origin": "http://elsewhere.example"},
        {"Host": "elsewhere.example"},
        {"Content-Type": "text/plain"},
    ):
        assert ask(daemon, "PUT", "/api/v1/house/phase", '{"phase": "show"}', headers)[0] in (403, 415)


def test_a_less_severe_phase_needs_a_person_and_grades_anew(daemon: Daemon) -> None:
    # "less severe only once its sources have closed cleanly or a person confirms"; `{"phase": "dark", "confirm": true}`
    assert ask(daemon, "PUT", "/api/v1/house/phase", {"phase": "dark"})[0] == 409
    assert ask(daemon, "PUT", "/api/v1/house/phase", {"phase": "dark", "confirm": True})[0] == 200
    until(lambda: ask(daemon, "GET", "/api/v1/house")[1]["phase"] == "dark")
    assert ask(daemon, "PUT", "/api/v1/house/phase", {"phase": "show"})[0] == 200
    until(lambda: ask(daemon, "GET", "/api/v1/house")[1]["phase"] == "show")


def test_a_mark_is_kept(daemon: Daemon) -> None:
    assert ask(daemon, "POST", "/api/v1/marks", {"text": "curtain up"})[0] in (200, 201)
    assert ask(daemon, "POST", "/api/v1/marks", {"text": ""})[0] == 400


def test_metrics_have_the_documented_names_and_labels(daemon: Daemon) -> None:
    status, text, headers = ask(daemon, "GET", "/metrics")
    assert (status, headers["Content-Type"].startswith("text/plain")) == (200, True)
    wanted = {
        "universe_up": {"universe"},
        "universe_frames_total": {"universe"},
        "universe_lost_frames_total": {"universe"},
        "universe_refresh_hertz": {"universe"},
        "universe_last_frame_timestamp_seconds": {"universe"},
        "universe_sources": {"universe"},
        "frame_interval_seconds_bucket": {"protocol", "le"},
        "packets_received_total": {"protocol"},
        "packets_rejected_total": {"protocol", "reason"},
        "host_dropped_packets_total": {"where"},
        "table_evictions_total": {"table"},
        "incidents_open": {"rule", "severity"},
        "incidents_opened_total": {"rule"},
        "house_phase": {"phase"},
        "judging_lag_seconds_bucket": {"le"},
        "config_last_reload_successful": set(),
        "source_info": {"source", "address", "name"},
        "build_info": {"version"},
    }
    found: dict[str, set[str]] = {}
    for line in text.splitlines():
        if line and not line.startswith("#"):
            name, _, labels = line.rpartition(" ")[0].partition("{")
            found[name] = set(re.findall(r'(\w+)="', labels))
    assert all(name.startswith("slotwatch_") for name in found)
    for name, labels in wanted.items():
        assert found.get(f"slotwatch_{name}") == labels, name
    assert 'slotwatch_universe_up{universe="e131/1"} 1.0' in text
    assert 'slotwatch_house_phase{phase="show"} 1.0' in text


def test_metrics_speak_openmetrics_if_asked(daemon: Daemon) -> None:
    _, text, headers = ask(daemon, "GET", "/metrics", headers={"Accept": "application/openmetrics-text; version=1.0.0"})
    assert headers["Content-Type"].startswith("application/openmetrics-text")
    assert text.endswith("# EOF\n")


def test_events_come_as_a_stream_at_most_four_a_second(daemon: Daemon) -> None:
    # "server-sent events `universes` (…, at most 4 a second), `incident`, `house`"
    with socket.create_connection(("127.0.0.1", daemon.ports.page), timeout=PATIENCE_S) as line:
        received, began_s, took_s = b"", time.monotonic(), 0.0  # before any of them can have been sent
        line.sendall(b"GET /api/v1/events HTTP/1.1\r\nHost: 127.0.0.1\r\nAccept: text/event-stream\r\n\r\n")
        while took_s < 3.0 or received.count(b"event: universes") < 2 or b"event: house" not in received:
            assert took_s < PATIENCE_S, received
            received += line.recv(65536)
            took_s = time.monotonic() - began_s
    assert b"text/event-stream" in received.partition(b"\r\n\r\n")[0]
    assert received.count(b"event: universes") <= 4 * took_s + 2
    for data in re.findall(rb"^data: (.*?)\r?$", received.rpartition(b"\n\n")[0], re.MULTILINE):
        json.loads(data)


def test_a_loss_its_acknowledgement_and_a_kill(tmp_path: Path) -> None:
    # "incidents, acknowledgements, marks survive kill -9"; `began_at` is the last good frame
    with running_once(tmp_path) as made:
        with desk(made, range(1, 3)):
            until(lambda: made.universe("e131/2").get("state") in HEARD)
            made.judges_for(1)

        def both_lost() -> Any:
            # It may open with the one that is lost first, and widen.
            found = made.get("/api/v1/incidents?state=open") or []
            return next((i for i in found if i["rule"] == "universe-lost" and len(i["universes"]) == 2), None)

        lost = until(both_lost)
        assert set(INCIDENT) <= set(lost)
        assert (lost["severity"], lost["universes"]) == ("critical", ["e131/1", "e131/2"])
        assert made.universe("e131/1")["last_frame_at"] == lost["began_at"]
        reasons = until(lambda: ask(made, "GET", "/api/v1/readiness")[1]["reasons"])
        assert reasons[0]["rule"] == "universe-lost"
        path = f"/api/v1/incidents/{lost['id']}"
        assert ask(made, "POST", path + "/acknowledge", {})[0] == 400
        assert ask(made, "POST", path + "/acknowledge", {"by": "LX", "note": "desk is booting"})[0] == 200
        until(lambda: (ask(made, "GET", path)[1]["acknowledged"] or {}).get("by") == "LX")
        assert ask(made, "GET", path)[1]["timeline"]
        time.sleep(2.0)  # "a power cut loses at most the last 2 s"
        made.process.kill()
        made.process.wait()
    with ended(start(made.file, made.ports)) as again:
        kept = until(lambda: again.get(path))
        assert (kept["rule"], kept["acknowledged"]["note"]) == ("universe-lost", "desk is booting")
        assert ask(again, "DELETE", path + "/acknowledge")[0] == 200
        until(lambda: ask(again, "GET", path)[1]["acknowledged"] is None)
        assert again.stop() == 0


def running_once(directory: Path) -> Any:
    """A daemon that the test ends itself."""
    from tests.daemon import Ports, house_text

    ports = Ports()
    (directory / "house.toml").write_text(house_text(ports))
    return ended(start(directory / "house.toml", ports))


def test_a_reload_takes_a_good_file_and_refuses_a_bad_one(tmp_path: Path) -> None:
    # "an invalid one is refused, the running one stays, and the page says so"
    with running_once(tmp_path) as made:
        good = made.file.read_text()
        made.file.write_text(good + '[[universes]]\nprotokol = "e131"\n')
        assert ask(made, "POST", "/api/v1/house/reload")[0] in (400, 409, 422)
        until(lambda: any("protokol" in fault for fault in (made.get("/api/v1/house") or {}).get("faults", [])))
        assert "slotwatch_config_last_reload_successful 0.0" in ask(made, "GET", "/metrics")[1]
        made.file.write_text(good + '[[universes]]\nprotocol = "e131"\nnumber = 7\n')
        assert ask(made, "POST", "/api/v1/house/reload")[0] == 200
        until(lambda: made.universe("e131/7").get("declared"))
        assert made.get("/api/v1/house")["faults"] == []
        assert made.stop() == 0
