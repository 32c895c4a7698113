"""sd_notify by its own manual (sd_notify(3), sd_watchdog_enabled(3))."""

from __future__ import annotations

import os
import secrets
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from slotwatch.edge.shared.systemd import Notifier
from tests.patience import PATIENCE_S
from tests.surroundings import short_directory


@pytest.fixture
def manager() -> Iterator[socket.socket]:
    with short_directory() as place, socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        sock.bind(str(place / "notify"))
        sock.settimeout(PATIENCE_S)
        yield sock


def test_each_word_is_as_the_manual_has_it(manager: socket.socket) -> None:
    notifier = Notifier({"NOTIFY_SOCKET": manager.getsockname()})
    notifier.ready("two\nlines")
    notifier.reloading(5_000_000)
    notifier.status("well")
    notifier.watchdog()
    notifier.stopping()
    notices = [manager.recv(200).decode() for _ in range(5)]
    assert notices == [
        "READY=1\nSTATUS=two lines",
        "RELOADING=1\nMONOTONIC_USEC=5000",
        "STATUS=well",
        "WATCHDOG=1",
        "STOPPING=1",
    ]
    notifier.close()


def test_an_abstract_socket_is_written_with_an_at_sign() -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        name = f"slotwatch-test-{secrets.token_hex(8)}"
        sock.bind("\0" + name)
        sock.settimeout(PATIENCE_S)
        notifier = Notifier({"NOTIFY_SOCKET": f"@{name}"})
        notifier.watchdog()
        assert sock.recv(100) == b"WATCHDOG=1"
        notifier.close()


def test_without_a_manager_nothing_happens() -> None:
    notifier = Notifier({})
    notifier.ready("x")
    notifier.close()
    assert notifier.watchdog_s is None


def test_a_manager_that_is_gone_is_no_fault(tmp_path: Path) -> None:
    notifier = Notifier({"NOTIFY_SOCKET": str(tmp_path / "gone")})
    notifier.watchdog()
    notifier.close()


@pytest.mark.parametrize(
    ("environment", "wanted"),
    [
        ({"WATCHDOG_USEC": "30000000"}, 30.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": str(os.getpid())}, 30.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "1"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({}, None),
    ],
)
def test_the_watchdog_is_the_managers_wish(environment: dict[str, str], wanted: float | None) -> None:
    assert Notifier(environment).watchdog_s == wanted
