"""What the parent does about processes that hang: the watchdog of the service manager is not fed, and the stuck one is
ended.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Protocol

from slotwatch.edge.shared.child import START_WITHIN_S

STUCK_S = {"intake": 5.0, "judging": 10.0, "front": 12.0, "routes": 12.0}
"""Without progress for so long a process that was ready is ended and restarted."""
HELD_S = 4.0
"""The parent turns four times a second. A longer pause means that it did not run itself."""
READY_WITHIN_S = 120.0
"""The whole, at the first start. A process that ends meanwhile is noticed at once."""


class WatchedProcess(Protocol):
    """What is asked of a process that may hang."""

    @property
    def ready(self) -> bool:
        """Whether it has started."""

    @property
    def spoke_ns(self) -> int:
        """Monotonic time of its last message."""

    def ready_s(self, now_ns: int) -> float:
        """Seconds since it was ready; below zero while it may still be starting."""

    def kill(self) -> None:
        """End it at once."""


class SignsOfLife(Protocol):
    """Where intake and judging leave how far they came."""

    def turned_ns(self) -> dict[str, int]:
        """Monotonic time of the last turn of each."""


class ServiceManager(Protocol):
    """Whoever started the whole."""

    @property
    def is_managed(self) -> bool:
        """Whether one waits for the word that all is ready."""

    @property
    def watchdog_s(self) -> float | None:
        """Seconds within which it expects a sign of life; None if it expects none."""

    def watchdog(self) -> None:
        """Give that sign of life."""


class Watchdog:
    """Watches the processes of one daemon."""

    def __init__(self, progress: SignsOfLife, manager: ServiceManager, say: Callable[[str], None]) -> None:
        """say: writes a line to the journal."""
        self._progress, self._manager, self._say = progress, manager, say
        self._fed_ns = self._watched_ns = self._woke_ns = 0
        self._is_late = False

    def watch(self, children: Mapping[str, WatchedProcess], now_ns: int) -> None:
        """End what is stuck; feed the watchdog only while intake and judging both get on, or are being started.

        Only the parent's loop feeds it: a parent that hangs is replaced by the service manager. What did not run while
        the parent did not run either (the whole computer was held) has the full time again.
        """
        if self._watched_ns and (now_ns - self._watched_ns) / 1e9 > HELD_S:
            self._woke_ns = now_ns
        self._watched_ns = now_ns
        moving = True
        turned = self._progress.turned_ns()
        spoken = {role: child.spoke_ns for role, child in children.items() if role in ("front", "routes")}
        for role, last_ns in (turned | spoken).items():
            silent_s = (now_ns - max(last_ns, self._woke_ns)) / 1e9
            child = children[role]
            patience_s = STUCK_S[role] if child.ready else START_WITHIN_S
            moving = moving and (role not in turned or silent_s < patience_s)
            if silent_s > STUCK_S[role] and child.ready_s(now_ns) > STUCK_S[role]:
                self._say(f"{role} has made no progress for {silent_s:.0f} s, so it is ended")
                child.kill()
        watchdog_s = self._manager.watchdog_s
        if moving and watchdog_s and (now_ns - self._fed_ns) / 1e9 > watchdog_s / 4:
            self._fed_ns = now_ns
            self._manager.watchdog()

    def late(self, children: Mapping[str, WatchedProcess]) -> str | None:
        """Return why the start has failed: it takes too long. None where a service manager has a limit of its own,
        which can be changed on a slow computer: then the journal has it, once."""
        waiting = [role for role, child in children.items() if not child.ready]
        text = f"not ready within {READY_WITHIN_S:g} s (waiting for {', '.join(waiting)})"
        if not self._manager.is_managed:
            return text
        if not self._is_late:
            self._is_late = True
            self._say(text)
        return None
