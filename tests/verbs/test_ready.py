"""The half-hour call in one line, from a real server on loopback; and every way in which nobody answers."""

from __future__ import annotations

import json
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import pytest

from slotwatch.cli import main
from slotwatch.views.ready import read_report, ready_text

CALL: dict[str, Any] = {"ready": True, "house": "Harbour Street Playhouse", "phase": "dark"} | {
    key: [] for key in ("reasons", "accepted", "not_visible", "not_judged")
}
LOST = {"rule": "universe-lost", "text": "Universe e131/2 is lost.", "universes": ["e131/2"]}


@contextmanager
def daemon(status: int, body: bytes) -> Iterator[str]:
    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            assert self.path == "/api/v1/readiness"
            self.send_response(status)
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def test_ready_is_one_line_and_exit_0(capsys: pytest.CaptureFixture[str]) -> None:
    with daemon(200, json.dumps(CALL).encode()) as url:
        assert main(["ready", "--url", url]) == 0
    assert capsys.readouterr().out == (
        "Ready (Harbour Street Playhouse, phase dark, judged as if in show). "
        "Data only; no safety or emergency-lighting check.\n"
    )


def test_not_ready_says_why_and_what_cannot_be_known(capsys: pytest.CaptureFixture[str]) -> None:
    call = CALL | {"ready": False, "reasons": [LOST], "not_visible": ["artnet/3"]}
    call["accepted"] = [{"rule": "fast-refresh", "text": "fast", "universes": [], "reason": "pixel wall"}]
    with daemon(200, json.dumps(call).encode()) as url:
        assert main(["ready", "--url", url + "/"]) == 1
    out = capsys.readouterr().out
    assert out.count("\n") == 1
    assert out.startswith(
        "Not ready (Harbour Street Playhouse, phase dark, judged as if in show): Universe e131/2 is lost."
    )
    assert "Accepted: pixel wall." in out and "Not visible from here, so not known: artnet/3." in out
    assert out.endswith(" Data only; no safety or emergency-lighting check.\n")


@pytest.mark.parametrize(
    ("names", "said"), [(["Rack 1"], "1 receiver answers"), (["Rack 1", "Node"], "2 receivers answer")]
)
def test_receivers_that_were_not_heard_are_said_to_be_not_known(
    capsys: pytest.CaptureFixture[str], names: list[str], said: str
) -> None:
    with daemon(200, json.dumps(CALL | {"receivers_not_known": names}).encode()) as url:
        assert main(["ready", "--url", url]) == 0
    assert f"judged as if in show). It is not known whether {said}. Data only" in capsys.readouterr().out


def test_json_is_the_answer_as_it_came(capsys: pytest.CaptureFixture[str]) -> None:
    with daemon(200, json.dumps(CALL).encode()) as url:
        assert main(["ready", "--json", "--url", url]) == 0
    assert json.loads(capsys.readouterr().out) == CALL


def test_a_long_list_is_cut_and_counted() -> None:
    call = CALL | {"ready": False, "reasons": [LOST] * 30, "not_visible": [f"e131/{n}" for n in range(1, 41)]}
    text = ready_text(read_report(json.dumps(call).encode()))
    assert "; and 18 more." in text and "e131/12 and 28 more." in text


def test_what_this_listener_cannot_do_is_said_beside_it() -> None:
    trouble = ["The history is not being kept: the disk is full (/var/lib/slotwatch/slotwatch.db)."]
    text = ready_text(read_report(json.dumps(CALL | {"trouble": trouble}).encode()))
    assert text.startswith("Ready") and f". Of this listener: {trouble[0]} Data only" in text


@pytest.mark.parametrize(
    ("status", "body", "reason"),
    [
        (503, b'{"error": "Judging has not said anything yet."}', "answered 503: Judging has not said anything yet"),
        (500, b"<html>", "answered 500: no reason given"),
        (200, b"<html>", "is not a slotwatch daemon"),
        (200, b"{}", "is not a slotwatch daemon"),
        (200, b'{"ready": true, "reasons": 3}', "is not a slotwatch daemon"),
        (200, b"\xff" * 100, "is not a slotwatch daemon"),
    ],
)
def test_who_gives_no_call_is_reported_in_one_line(
    status: int, body: bytes, reason: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with daemon(status, body) as url:
        assert main(["ready", "--url", url]) == 2
    captured = capsys.readouterr()
    assert reason in captured.err and captured.err.count("\n") == 1 and captured.out == ""


def test_nobody_there(capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        url = f"http://127.0.0.1:{probe.getsockname()[1]}"
        assert main(["ready", "--url", url]) == 2
    assert f"no daemon answers at {url} (Connection refused); start it: slotwatch serve" in capsys.readouterr().err


@pytest.mark.parametrize("url", ["here", "ftp://127.0.0.1", "file:///etc/hostname", "http://", "http://[::1"])
def test_what_is_no_address(url: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["ready", "--url", url]) == 2
    assert capsys.readouterr().err.count("\n") == 1
