"""Sends a request at regular intervals to an address that raises an alarm when they stop.

It is sent only while judging runs, so its absence says that this computer, its network or slotwatch has failed.
"""

from __future__ import annotations

import asyncio
from pathlib import Path

import aiohttp

from slotwatch import __version__, clock
from slotwatch.edge.front.bounded_answer import BoundedAnswer
from slotwatch.edge.front.reasons import why_unreachable
from slotwatch.edge.shared.places import read_place
from slotwatch.edge.shared.secret_file import SecretFileError, read_secret
from slotwatch.house.schema import House
from slotwatch.snapshot import Snapshot

ANSWER_WITHIN_S = 10.0
JUDGING_SILENT_NS = 15_000_000_000
"""Judging publishes at least once a second; a restart of it takes a few seconds."""
RETRY_S = 15.0
NO_SUCH_METHOD = (405, 501)


class HeartbeatSender:
    """Follows snapshots; `run` sends."""

    name = "heartbeat"

    def __init__(self, house: House) -> None:
        self._house = house
        self._seen_ns: int | None = None
        self._begun = asyncio.Event()
        """Whether judging has published a snapshot yet."""
        self._trouble = ""
        self.counts = {"sent": 0, "failed": 0}

    def note(self, snapshot: Snapshot) -> None:
        self._seen_ns = clock.monotonic_ns()
        self._begun.set()

    def health(self) -> dict[str, object]:
        return {"ok": not self._trouble, "text": self._trouble, **self.counts}

    async def run(self) -> None:
        """Send for ever."""
        every_s = self._house.heartbeat.every_min * 60
        await self._begun.wait()
        while True:
            was_sent = await self.beat(clock.monotonic_ns())
            await asyncio.sleep(every_s if was_sent else min(RETRY_S, every_s))

    async def beat(self, now_ns: int) -> bool:
        """Send one, if judging runs. Returns whether it arrived."""
        if self._seen_ns is None or now_ns - self._seen_ns > JUDGING_SILENT_NS:
            self._trouble = "No heartbeat is sent, because judging does not report."
            return False
        reason = await self._send()
        self.counts["failed" if reason else "sent"] += 1
        self._trouble = f"The heartbeat does not arrive: {reason}." if reason else ""
        return not reason

    async def _send(self) -> str:
        """Empty if it was taken, else why not. The address is a secret, so no reason holds it."""
        try:
            url = (await asyncio.to_thread(read_secret, self._path)).decode("utf-8", "replace").strip()
        except SecretFileError as error:
            return f"its address is not known: {error}"
        if not url.startswith(("http://", "https://")) or len(url.split()) != 1:
            return f"{self._path} holds no http or https address"
        timeout = aiohttp.ClientTimeout(total=ANSWER_WITHIN_S)
        headers = {"User-Agent": f"slotwatch/{__version__}"}
        try:
            async with aiohttp.ClientSession(timeout=timeout, headers=headers, response_class=BoundedAnswer) as session:
                for method in ("GET", "POST"):
                    async with session.request(method, url, allow_redirects=False) as response:
                        status = response.status
                    if status not in NO_SUCH_METHOD:
                        break
        except TimeoutError:
            return f"no answer within {ANSWER_WITHIN_S:.0f} s"
        except (aiohttp.ClientError, OSError, ValueError) as error:
            return why_unreachable(error)
        if 300 <= status < 400:
            return f"it answered {status}: redirects are not followed, so give the address that it leads to"
        return "" if 200 <= status < 300 else f"it answered {status}"

    @property
    def _path(self) -> Path:
        return read_place(self._house, self._house.heartbeat.url_file)
