"""A switch and a listener that take every question and never answer: judging continues as if nobody was declared."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pytest

from tests.daemon import HEARD, STUTTERS, Ports, desk, ended, house_text, start
from tests.patience import until

pytestmark = pytest.mark.live


@contextmanager
def never_answering() -> Iterator[tuple[int, list[socket.socket]]]:
    """A port on loopback that accepts and keeps silent, and who is waiting there."""
    waiting: list[socket.socket] = []
    with socket.create_server(("127.0.0.1", 0)) as server:

        def accept() -> None:
            while True:
                try:
                    waiting.append(server.accept()[0])
                except OSError:
                    return

        threading.Thread(target=accept, daemon=True).start()
        try:
            yield server.getsockname()[1], waiting
        finally:
            server.shutdown(socket.SHUT_RDWR)
            for one in waiting:
                one.close()


def test_a_loss_is_judged_while_a_switch_and_a_listener_hang(tmp_path: Path) -> None:
    """127.0.0.9 has no agent; the listener holds each question open. The loss opens meanwhile."""
    with ExitStack() as stack:
        port, waiting = stack.enter_context(never_answering())
        more = (
            f'\n[[listeners]]\nname = "stage end"\nurl = "http://127.0.0.1:{port}"\n'
            '\n[[switches]]\nname = "FOH"\naddress = "127.0.0.9"\ncredentials_file = "foh.snmp"\npoll_s = 5\n'
        )
        (tmp_path / "foh.snmp").write_text("watcher")
        (tmp_path / "foh.snmp").chmod(0o600)
        ports, file = Ports(), tmp_path / "house.toml"
        file.write_text(house_text(ports, range(1, 3), more))
        playing = stack.enter_context(ExitStack())
        # It plays before the daemon starts, or what is late on a busy computer would be missing.
        playing.enter_context(desk(ports, range(1, 3)))
        daemon = stack.enter_context(ended(start(file, ports)))
        with playing:
            until(lambda: daemon.universe("e131/1").get("state") in HEARD)
            until(lambda: len(waiting) >= 2)
            until(lambda: [one["answers"] for one in daemon.api("/api/v1/network")["switches"]] == [False])

        def opened() -> list[Any]:
            found = daemon.get("/api/v1/incidents?state=open") or []
            return [one for one in found if one["universes"] and one["rule"] not in STUTTERS]

        until(lambda: [one["universes"] for one in opened()] == [["e131/1", "e131/2"]])  # it may open with one of them
        (lost,) = opened()
        assert lost["rule"] == "universe-lost"
        assert lost["heard_elsewhere"] == [], "who does not answer is no evidence"
        # Asked again meanwhile, and not one question was answered.
        until(lambda: len(waiting) >= 4)
        assert daemon.stop() == 0
