"""Reference levels of a running house: real packets on loopback, the verb as a person uses it, kill -9, a dead desk."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import signal
import struct
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from slotwatch.cli import main
from tests.daemon import Daemon, Ports, ended, house_text, start
from tests.patience import until

PATCH = """fixture,universe,address,profile,label,position
12,1,1,lamp,front wash,Bar 1
40,1,101,mover,,Bar 2
"""
MORE = """
[patch]
file = "patch.csv"

[[profiles]]
name = "lamp"
slots = ["intensity"]

[[profiles]]
name = "mover"
slots = ["intensity", "pan", "pan-fine"]
"""


@contextmanager
def looking(daemon: Daemon, look: dict[str, bytes]) -> Iterator[None]:
    """A desk that sends what `look` holds, until the block ends."""
    over = threading.Event()

    def play() -> None:
        frame = 0
        while not over.wait(0.04):
            daemon.send(1, look["levels"], frame & 255)
            frame += 1

    thread = threading.Thread(target=play, daemon=True)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def levels(lamp: int, pan: int) -> bytes:
    return bytes([lamp]).ljust(100, b"\0") + bytes([255]) + struct.pack(">H", pan)


def ran(capsys: pytest.CaptureFixture[str], daemon: Daemon, *words: str) -> tuple[int, str]:
    capsys.readouterr()
    status = main(["reference", *words, "--url", f"http://127.0.0.1:{daemon.ports.page}"])
    seen = capsys.readouterr()
    return status, seen.out + seen.err


def level(daemon: Daemon, slot: int) -> Any:
    found = daemon.get("/api/v1/universes/e131/1")
    return found["levels"][slot - 1] if found and found["levels"] else None


def stand_still(daemon: Daemon) -> None:
    """Hold the look for longer than a reference looks back for what moves."""
    began_s = daemon.api("/api/v1/house")["uptime_s"]
    until(lambda: daemon.api("/api/v1/house")["uptime_s"] > began_s + 5)


def test_a_reference_outlives_a_kill_and_says_what_differs(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ports, file = Ports(), tmp_path / "house.toml"
    (tmp_path / "patch.csv").write_text(PATCH)
    file.write_text(house_text(ports, range(1, 2), MORE))
    look = {"levels": levels(153, 0x40FF)}
    with ended(start(file, ports)) as daemon:
        assert ran(capsys, daemon) == (
            0,
            'No reference levels are kept. Keep the present levels: slotwatch reference save "act 1 opening"\n',
        )
        with looking(daemon, look):
            until(lambda: level(daemon, 1) == 153)
            stand_still(daemon)
            status, text = ran(capsys, daemon, "save", "act 1 opening", "--by", "Ann")
            assert (status, text) == (0, "act 1 opening: kept the levels of 2 fixtures.\n")
            children = list(daemon.children().values())
            for number in (daemon.process.pid, *children):
                os.kill(number, signal.SIGKILL)
            daemon.process.wait()
    with ended(start(file, ports)) as daemon:
        status, text = ran(capsys, daemon, "compare", "act 1 opening")
        assert (status, text.splitlines()[0]) == (2, "No fixture can be compared with act 1 opening.")
        compare_and_delete(daemon, look, capsys)


def compare_and_delete(daemon: Daemon, look: dict[str, bytes], capsys: pytest.CaptureFixture[str]) -> None:
    with looking(daemon, look):
        until(lambda: level(daemon, 1) == 153)
        # The pair moves by 1 of 65,535, from 0x40ff to 0x4100; its fine octet by 255.
        look["levels"] = levels(153, 0x4100)
        until(lambda: level(daemon, 102) == 0x41)
        assert ran(capsys, daemon, "compare", "act 1 opening") == (0, "2 fixtures are as in act 1 opening.\n")
        look["levels"] = levels(0, 0x8000)
        until(lambda: level(daemon, 1) == 0)
        status, text = ran(capsys, daemon, "compare", "act 1 opening")
        assert status == 1
        assert text.startswith(
            "2 fixtures differ from act 1 opening: 12 (front wash) is at 0 %, was 60 %; "
            "40 pan is at 50 %, was 25.4 %.\n"
        )
        assert "Caution:" in text
        status, text = ran(capsys, daemon, "compare", "act 1 opening", "--csv")
        assert status == 1
        assert [row["fixture"] for row in csv.DictReader(io.StringIO(text))] == ["12", "40"]
        shown = json.loads(ran(capsys, daemon, "show", "act 1 opening", "--json")[1])
        assert [one["slots"] for one in shown["levels"]] == [[153], [255, 0x40, 0xFF]]
        listed = ran(capsys, daemon, "list")[1]
        assert re.search(r"act 1 opening: 2 fixtures on 1 universe, \w{3} \d+ \w{3} \d{4}, \d\d:\d\d:\d\d", listed)
        status, text = ran(capsys, daemon, "save", "act 1 opening")
        assert (status, "--replace" in text) == (2, True)
        assert ran(capsys, daemon, "delete", "act 1 opening") == (0, "act 1 opening is deleted.\n")
        status, text = ran(capsys, daemon, "show", "act 1 opening")
        assert (status, "No reference levels are kept" in text) == (2, True)


def test_after_a_desk_died_its_incident_shows_the_levels_of_before(tmp_path: Path) -> None:
    ports, file = Ports(), tmp_path / "house.toml"
    (tmp_path / "patch.csv").write_text(PATCH)
    file.write_text(house_text(ports, range(1, 2), MORE))
    with ended(start(file, ports)) as daemon:
        with looking(daemon, {"levels": levels(153, 0x8000)}):
            until(lambda: level(daemon, 1) == 153)
            stand_still(daemon)

        def lost() -> Any:
            found = daemon.get("/api/v1/incidents") or []
            return next((one["id"] for one in found if "e131/1" in one["universes"]), None)

        number = until(lost)
        found = until(lambda: daemon.api(f"/api/v1/incidents/{number}")["last_good_levels"])
        assert [(one["fixture"], one["levels"][0]["percent"]) for one in found["fixtures"]] == [
            ("12", 60.0),
            ("40", 100.0),
        ]
        assert found["fixtures"][1]["levels"][1] == {"role": "pan", "percent": 50.0, "moving": False}
        assert daemon.stop() == 0


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["save"], "save needs NAME"),
        (["list", "act 1"], "list takes no NAME"),
        (["save", "act 1", "--csv"], "save gives no table"),
        (["--url", "ftp://x"], "is not an address"),
    ],
)
def test_a_wrong_call_says_what_is_right(words: list[str], sentence: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["reference", *words]) == 2
    found = capsys.readouterr().err
    assert sentence in found and found.count("\n") == 1
