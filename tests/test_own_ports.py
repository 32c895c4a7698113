"""A test that opens a port that everybody knows fails, with words that say what to do: the port may be another's."""

from __future__ import annotations

import socket
import subprocess
import sys
from pathlib import Path

import pytest

from tests.daemon import Ports, ended, house_text, start
from tests.net.namespace import inside
from tests.patience import PATIENCE_S

OPEN = "import socket\nsocket.socket().bind(('127.0.0.1', 8580))\nprint('{}')"
WORDS = "Take one of tests.ports.free_port"


def test_a_test_that_opens_a_known_port_fails() -> None:
    with socket.socket() as sock, pytest.raises(RuntimeError, match=WORDS):
        sock.bind(("127.0.0.1", 5568))


def test_a_program_of_a_test_that_opens_a_known_port_fails() -> None:
    done = subprocess.run([sys.executable, "-c", OPEN], capture_output=True, text=True, timeout=PATIENCE_S)
    assert done.returncode and WORDS in done.stderr


@pytest.mark.live
def test_a_daemon_at_its_usual_port_does_not_start(tmp_path: Path) -> None:
    ports, file = Ports(), tmp_path / "house.toml"
    file.write_text(house_text(ports).replace(f"e131_port = {ports.e131}", "e131_port = 5568"))
    with ended(start(file, ports, ready=False)) as daemon:
        assert daemon.process.wait(PATIENCE_S) != 0
        assert WORDS in daemon.log()


@pytest.mark.net
def test_in_a_network_of_its_own_every_port_is_a_tests_own() -> None:
    assert inside(OPEN) == {}
