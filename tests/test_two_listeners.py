"""Two daemons that ask each other, and one desk that both hear: what only one of them gets, and a desk that dies."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pytest
from sacn.messages.data_packet import DataPacket

from tests.daemon import CID, STUTTERS, Daemon, Ports, ended, house_text, start
from tests.patience import until

pytestmark = pytest.mark.live
SPARE = tuple(range(16, 32))
SPARE_AT_STAGE_END = (
    'Universes e131/1 and e131/2: "test desk" is in control at control room, "spare desk" at stage end. '
    "A stream is lost between control room and stage end."
)
Arrives = Callable[[int, int], bool]
"""Whether a frame arrives, by universe and number."""


class OneDesk:
    """Sends the same frames to both; what arrives at the second one can be changed while it plays."""

    def __init__(self, ports: tuple[int, int]) -> None:
        self.ports = ports
        self.arrives: Arrives = lambda universe, frame: True
        self.plays = True
        self.with_spare = False
        """Whether a spare desk sends the same at a lower priority, which always arrives at both."""
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._play, daemon=True)
        self._thread.start()

    def _play(self) -> None:
        began_s, frame = time.monotonic(), 0
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
            while not self._over.wait(max(0.0, began_s + frame / 40 - time.monotonic())):
                frame += 1
                for universe in (1, 2) if self.plays else ():
                    levels = (frame % 256,) * 512
                    data = bytes(DataPacket(CID, "test desk", universe, levels, sequence=frame % 256).getBytes())
                    sock.sendto(data, ("127.0.0.1", self.ports[0]))
                    if self.arrives(universe, frame):
                        sock.sendto(data, ("127.0.0.1", self.ports[1]))
                    if self.with_spare:
                        made = DataPacket(SPARE, "spare desk", universe, levels, sequence=frame % 256, priority=90)
                        for port in self.ports:
                            sock.sendto(bytes(made.getBytes()), ("127.0.0.1", port))

    def end(self) -> None:
        self._over.set()
        self._thread.join()


@contextmanager
def two(place: Path) -> Iterator[tuple[Daemon, Daemon, OneDesk]]:
    ports = Ports(), Ports()
    names = "control room", "stage end"
    with ExitStack() as stack:
        # It plays before they start: the second one may start after the first one reports what never came.
        made = OneDesk((ports[0].e131, ports[1].e131))
        stack.callback(made.end)
        daemons = []
        for own in (0, 1):
            other = 1 - own
            more = f'\n[[listeners]]\nname = "{names[other]}"\nurl = "http://127.0.0.1:{ports[other].page}"\n'
            file = place / str(own) / "house.toml"
            file.parent.mkdir()
            file.write_text(house_text(ports[own], more=more + f'own_name = "{names[own]}"\n'))
            daemons.append(stack.enter_context(ended(start(file, ports[own]))))
        for daemon in daemons:
            until(lambda daemon=daemon: all(row["compared"] for row in daemon.get("/api/v1/listeners") or [{}]))
            until(lambda daemon=daemon: len(daemon.get("/api/v1/streams") or []) == 2)
        yield daemons[0], daemons[1], made


def opened(daemon: Daemon) -> list[dict[str, Any]]:
    found = daemon.get("/api/v1/incidents?state=open") or []
    return [one for one in found if one["rule"] not in STUTTERS]


def rules(daemon: Daemon) -> list[str]:
    return sorted(one["rule"] for one in opened(daemon))


def test_a_cut_between_them_is_one_incident_in_the_same_words_and_a_dead_desk_is_none(tmp_path: Path) -> None:
    with two(tmp_path) as (first, second, desk):
        desk.arrives = lambda universe, frame: universe == 1
        for daemon in (first, second):
            until(lambda daemon=daemon: rules(daemon) == ["lost-between"])
        beginnings = [one["summary"].partition(" since ")[0] for daemon in (first, second) for one in opened(daemon)]
        assert beginnings == ["Universe e131/2 lost between control room and stage end"] * 2
        ends = {one["summary"].rpartition(": ")[2] for daemon in (first, second) for one in opened(daemon)}
        assert ends == {"heard at control room, not at stage end."}
        desk.arrives = lambda universe, frame: True
        for daemon in (first, second):
            until(lambda daemon=daemon: rules(daemon) == [])
        desk.plays = False
        for daemon in (first, second):
            # It may open with the one that is lost first, and widen.
            dead = [("universe-lost", ["e131/1", "e131/2"])]
            until(lambda daemon=daemon, dead=dead: [(one["rule"], one["universes"]) for one in opened(daemon)] == dead)
            every = daemon.get("/api/v1/incidents?state=all") or []
            rules_said = sorted(one["rule"] for one in every if one["rule"] not in STUTTERS)
            assert rules_said == ["lost-between", "universe-lost"]


def test_another_winner_at_one_of_them_is_one_incident_in_the_same_words(tmp_path: Path) -> None:
    """E1.31 6.2.3: the highest priority wins. Where the main desk does not arrive, the spare one does."""
    with two(tmp_path) as (first, second, desk):
        desk.with_spare = True
        until(lambda: len(second.get("/api/v1/streams") or []) == 4)
        desk.arrives = lambda universe, frame: False
        for daemon in (first, second):
            until(lambda daemon=daemon: "winners-differ" in rules(daemon))
            found = next(one for one in opened(daemon) if one["rule"] == "winners-differ")
            # A desk that stutters may lose its control for a moment, of which a last sentence then tells.
            assert found["summary"].partition(" It comes and goes: ")[0] == SPARE_AT_STAGE_END
            assert "lost-between" not in rules(daemon)


def test_two_percent_that_only_one_of_them_misses_are_lost_between(tmp_path: Path) -> None:
    with two(tmp_path) as (first, second, desk):
        desk.arrives = lambda universe, frame: frame % 50 != 7
        for daemon in (first, second):
            until(lambda daemon=daemon: "loss-between" in rules(daemon))
            summary = next(one["summary"] for one in opened(daemon) if one["rule"] == "loss-between")
            assert "stage end misses" in summary
