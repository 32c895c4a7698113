"""Sends open and closed incidents to Alertmanager, repeatedly (its API v2, `POST /api/v2/alerts`).

An alert that is not sent again ends by itself after ENDS_S, so that a listener that died does not hold it up for
ever; what is over is sent for RESOLVED_S, so that one lost message does not hide that it is over (both as Prometheus
does it). Each Alertmanager is tried by itself. The page names those that do not answer; they are tried again.
"""

from __future__ import annotations

import asyncio
import contextlib

import aiohttp

from slotwatch import clock
from slotwatch.durations import NANOSECONDS
from slotwatch.edge.front.bounded_answer import BoundedAnswer
from slotwatch.edge.front.reasons import why_refused, why_unreachable
from slotwatch.house.schema import House
from slotwatch.snapshot import Snapshot
from slotwatch.views.alerts import Alert, Labels, alerts
from slotwatch.views.moments import iso_wall

AGAIN_S = 60.0
ENDS_S = 4 * AGAIN_S
RESOLVED_S = 900.0
GATHER_S = 0.5
"""What is found together is sent together."""
RETRY_S = 5.0
ANSWER_WITHIN_S = 5.0
MOST_RESOLVED = 1000


class Alertmanager:
    """Follows snapshots; `run` sends."""

    name = "alertmanager"

    def __init__(self, house: House, page: str = "") -> None:
        """page: address of the page for links; empty if others cannot reach it."""
        self._house, self._page = house, page
        self._open: dict[Labels, Alert] = {}
        self._over: dict[Labels, Alert] = {}
        self._over_since_ns: dict[Labels, int] = {}
        self._changed = asyncio.Event()
        self._troubles: dict[str, str] = {}

    def note(self, snapshot: Snapshot) -> None:
        now = alerts(snapshot, self._house, self._page, self._open)
        if now == self._open:
            return
        now_ns = clock.monotonic_ns()
        for key, alert in self._open.items():
            if key not in now:
                self._over[key], self._over_since_ns[key] = alert, now_ns
        for key in now:
            self._over.pop(key, None)
        while len(self._over) > MOST_RESOLVED:
            self._over.pop(next(iter(self._over)))
        self._open = now
        self._changed.set()

    def take_house(self, house: House, page: str = "") -> None:
        """Send to this house's Alertmanagers from now on, what is over included."""
        self._house, self._page = house, page
        self._troubles = {
            url: reason for url, reason in self._troubles.items() if url in house.alerts.alertmanager_urls
        }
        self._changed.set()

    def health(self) -> dict[str, object]:
        return {"ok": not self._troubles, "text": " ".join(self._troubles.values()), "open": len(self._open)}

    async def run(self) -> None:
        """Send for ever."""
        timeout = aiohttp.ClientTimeout(total=ANSWER_WITHIN_S)
        async with aiohttp.ClientSession(timeout=timeout, response_class=BoundedAnswer) as session:
            while True:
                wait_s = RETRY_S if self._troubles else AGAIN_S
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(wait_s):
                        await self._changed.wait()
                        await asyncio.sleep(GATHER_S)
                self._changed.clear()
                await self._send(session)

    async def _send(self, session: aiohttp.ClientSession) -> None:
        wall_ns, now_ns = clock.wall_ns(), clock.monotonic_ns()
        for key in [key for key in self._over if now_ns - self._over_since_ns[key] > RESOLVED_S * NANOSECONDS]:
            del self._over[key]
        self._over_since_ns = {key: at for key, at in self._over_since_ns.items() if key in self._over}
        body = [_ending(alert, wall_ns + int(ENDS_S * NANOSECONDS)) for alert in self._open.values()]
        body += [_ending(alert, wall_ns - now_ns + self._over_since_ns[key]) for key, alert in self._over.items()]
        if body:
            await asyncio.gather(*(self._post(session, url, body) for url in self._house.alerts.alertmanager_urls))

    async def _post(self, session: aiohttp.ClientSession, url: str, body: list[dict[str, object]]) -> None:
        try:
            # A redirection would make a GET of it, whose answer says nothing about the alerts.
            post = session.post(f"{url.rstrip('/')}/api/v2/alerts", json=body, allow_redirects=False)
            async with post as response:
                if response.status < 300:
                    self._troubles.pop(url, None)
                    return
                trouble = await why_refused(response)
        except TimeoutError:
            trouble = f"no answer within {ANSWER_WITHIN_S:.0f} s"
        except (aiohttp.ClientError, OSError, ValueError) as error:
            trouble = why_unreachable(error)
        self._troubles[url] = f"Alerts do not reach {_without_secret(url)}: {trouble}."


def _ending(alert: Alert, at_wall_ns: int) -> dict[str, object]:
    """The alert with its end. Alertmanager refuses one that begins after it ends, as where the clock was set back."""
    ends = iso_wall(at_wall_ns)
    return {**alert, "startsAt": min(alert["startsAt"], ends), "endsAt": ends}


def _without_secret(url: str) -> str:
    scheme, _, rest = url.partition("://")
    return f"{scheme}://{rest.rpartition('@')[2]}"
