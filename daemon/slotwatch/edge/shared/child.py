"""One process that the parent started: how it is started, gets messages and is ended, and when it may start again."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Mapping

from slotwatch.clock import monotonic_ns
from slotwatch.edge.shared.channel import Channel, pair
from slotwatch.edge.shared.messages.lifeline import FROM_CHILD, FromChild, Stop, ToChild
from slotwatch.edge.shared.resources import Descriptors

FIRST_PAUSE_NS = 20_000_000
LONGEST_PAUSE_NS = 5_000_000_000
START_WITHIN_S = 60.0
"""How long a process may take to be ready. A slow computer reads its program from a cold disk."""
SIGN_OF_LIFE_S = 1.0
"""How often a process that has no progress of its own in shared memory sends a message."""
SETTLED_NS = 10_000_000_000
"""A process that ran this long is restarted at once; one that ends sooner waits longer each time."""

MALLOC = {
    "MALLOC_ARENA_MAX": "1",
    "MALLOC_MMAP_THRESHOLD_": str(1 << 20),
    "MALLOC_TRIM_THRESHOLD_": str(16 << 20),
}
"""For the C library, unless the environment says otherwise: a snapshot of 4,034 universes is built and freed several
times a second, and what is freed shall go back instead of staying between what is kept. But the end of the heap may
stay free between two turns of `MemoryReturn`: with one threshold set, the C library gives back all over 128 KiB at
once. Each batch then took its half MiB from the system again, by 128 page faults: 40 % of judging's CPU (measured)."""
ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1"}
"""For numpy's library of linear algebra, which is hardly used here: its threads cost each process 40 to 90 ms of CPU at
the start (measured)."""


class Child:
    """A role and the process that fills it now. `channel` is the parent's end of its lifeline, None between two."""

    def __init__(self, role: str) -> None:
        self.role = role
        self.channel: Channel[ToChild, FromChild] | None = None
        self.ready_ns = 0
        """Monotonic time at which it was ready; 0: it is being started."""
        self.spoke_ns = 0
        """Monotonic time of its last message: front and routes send one each SIGN_OF_LIFE_S."""
        self.starts = 0
        self.how = ""
        self.last_lines: tuple[str, ...] = ()
        """Why it ended, as it reported itself."""
        self.replaced_by_ns = 0
        """Monotonic time by which it has to be gone, since it is being replaced; 0: it is not."""
        self.due_ns = 0
        """Monotonic time at which it is to be started again; 0: it runs."""
        self._process: subprocess.Popen[bytes] | None = None
        self._started_ns = 0
        self._pause_ns = FIRST_PAUSE_NS

    @property
    def pid(self) -> int:
        return self._process.pid if self._process is not None else 0

    @property
    def ready(self) -> bool:
        return self.ready_ns > 0

    def start(self, descriptors: Descriptors, values: Mapping[str, object]) -> None:
        """Start it with these descriptors and plain values."""
        mine, theirs = pair()
        wiring = {**values, **descriptors, "lifeline": theirs.fileno(), "parent": os.getpid()}
        passed = [theirs.fileno()]
        for value in descriptors.values():
            passed += value if isinstance(value, list) else [value]
        self._process = subprocess.Popen(
            [sys.executable, "-m", "slotwatch.process", self.role, json.dumps(wiring)],
            stdin=subprocess.DEVNULL,
            pass_fds=passed,
            env={**MALLOC, **ONE_THREAD, **os.environ},
        )
        theirs.close()
        self.channel = Channel(mine.detach(), FROM_CHILD)
        self.ready_ns, self.last_lines, self.how, self.due_ns, self.replaced_by_ns = 0, (), "", 0, 0
        self.starts += 1
        self._started_ns = monotonic_ns()

    def ready_s(self, now_ns: int) -> float:
        """Seconds since it was ready; of one that never was, since its time to start was over (negative before)."""
        if self.ready:
            return (now_ns - self.ready_ns) / 1e9
        return (now_ns - self._started_ns) / 1e9 - START_WITHIN_S

    def gone(self) -> bool:
        return self._process is not None and self._process.poll() is not None

    def stop(self) -> None:
        """Ask it to end: by word, and by signal for one that does not read its lifeline."""
        if self.channel is not None:
            self.channel.send(Stop())
        if self.role == "routes" and self._process is not None and self._process.poll() is None:
            self._process.terminate()

    def kill(self) -> None:
        if self._process is not None and self._process.poll() is None:
            self._process.kill()

    def ended(self, now_ns: int) -> None:
        """It has ended, or closed its lifeline: reap it, and say when it may start again."""
        if self.channel is not None:
            self.channel.close()
            self.channel = None
        if self._process is not None:
            if self._process.poll() is None:
                try:
                    self._process.wait(0.5)
                except subprocess.TimeoutExpired:
                    self._process.kill()
                    self._process.wait()
            self.how = _how(self._process.returncode)
        if now_ns - self._started_ns > SETTLED_NS or self.replaced_by_ns:
            self._pause_ns = FIRST_PAUSE_NS
        self.ready_ns, self._started_ns = 0, now_ns  # from now on it is being started
        self.due_ns = now_ns + self._pause_ns
        self._pause_ns = min(2 * self._pause_ns, LONGEST_PAUSE_NS)


def _how(status: int) -> str:
    if status >= 0:
        return f"status {status}"
    try:
        return f"by {signal.Signals(-status).name}"
    except ValueError:
        return f"by signal {-status}"
