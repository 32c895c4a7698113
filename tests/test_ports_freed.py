"""A daemon whose parent is killed leaves nobody on a port. How soon they are free: `python -m benchmarks.ports`."""

from __future__ import annotations

import os
import signal
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.daemon import Daemon, Ports, ended, house_text, is_alive, start
from tests.patience import until
from tests.ports import is_free


@contextmanager
def serving(directory: Path) -> Iterator[tuple[Daemon, Callable[[], bool]]]:
    """A daemon, and what says whether each of its ports could be bound now."""
    ports, file = Ports(), directory / "house.toml"
    file.write_text(house_text(ports))
    wanted = [(socket.SOCK_DGRAM, ports.e131), (socket.SOCK_DGRAM, ports.artnet), (socket.SOCK_STREAM, ports.page)]
    with ended(start(file, ports)) as daemon:
        yield daemon, lambda: all(is_free(kind, port) for kind, port in wanted)


def test_no_process_has_to_do_anything_to_free_its_port(tmp_path: Path) -> None:
    """Those that are stopped, and so can do nothing, end with their parent all the same, however busy the computer."""
    with serving(tmp_path) as (daemon, are_free):
        children = daemon.children()
        assert set(children) == {"intake", "judging", "front"}
        for pid in children.values():
            os.kill(pid, signal.SIGSTOP)
        assert not are_free()
        os.kill(daemon.process.pid, signal.SIGKILL)
        try:
            until(are_free)
            until(lambda: not any(is_alive(pid) for pid in children.values()))
        finally:
            for pid in filter(is_alive, children.values()):
                os.kill(pid, signal.SIGKILL)
