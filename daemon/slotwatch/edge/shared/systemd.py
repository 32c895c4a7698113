"""sd_notify: reports to the service manager that the daemon is ready, alive, reloading or stopping, if there is one."""

from __future__ import annotations

import contextlib
import os
import socket


class Notifier:
    """Sends to $NOTIFY_SOCKET, or nowhere where there is none (sd_notify(3))."""

    def __init__(self, environment: dict[str, str] | None = None) -> None:
        environment = dict(os.environ) if environment is None else environment
        address = environment.get("NOTIFY_SOCKET", "")
        # A leading @ is the abstract namespace, written as a zero byte.
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._sock = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) if address else None
        self.watchdog_s = _watchdog_s(environment)

    @property
    def is_managed(self) -> bool:
        """Whether a service manager waits for the word that it is ready."""
        return self._sock is not None

    def ready(self, status: str) -> None:
        self._send(f"READY=1\nSTATUS={_line(status)}")

    def status(self, text: str) -> None:
        self._send(f"STATUS={_line(text)}")

    def reloading(self, monotonic_ns: int) -> None:
        """Followed by `ready` when done. The time is what Type=notify-reload wants (systemd 253)."""
        self._send(f"RELOADING=1\nMONOTONIC_USEC={monotonic_ns // 1000}")

    def stopping(self) -> None:
        self._send("STOPPING=1")

    def watchdog(self) -> None:
        self._send("WATCHDOG=1")

    def close(self) -> None:
        if self._sock is not None:
            self._sock.close()

    def _send(self, text: str) -> None:
        if self._sock is None:
            return
        # A manager that is restarting asks again by its own time-outs.
        with contextlib.suppress(OSError):
            self._sock.sendto(text.encode(), self._address)


def _watchdog_s(environment: dict[str, str]) -> float | None:
    """Seconds within which a sign of life is expected; None if none is, or if it is for another process."""
    wanted, process = environment.get("WATCHDOG_USEC", ""), environment.get("WATCHDOG_PID", "")
    if not wanted.isdecimal() or int(wanted) <= 0 or (process and process != str(os.getpid())):
        return None
    return int(wanted) / 1_000_000


def _line(text: str) -> str:
    return text.replace("\n", " ")
