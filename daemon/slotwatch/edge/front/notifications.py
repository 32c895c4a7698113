"""Sends messages about incidents to people and programs: decided each second, kept on disk, tried until they arrive.

Each recipient has a queue of its own, so that one that is away does not delay the others. A message that could not be
delivered is tried again after 5 s, then twice as long, at most 5 minutes. After 24 h of trying it is given up, and
that is shown.
"""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from slotwatch import clock
from slotwatch.edge.front.notice_queue import NoticeQueue, WaitingNotice
from slotwatch.edge.front.notice_ways import NoticeWay, way_of
from slotwatch.edge.shared.ended_tasks import work_together
from slotwatch.edge.shared.places import state_place
from slotwatch.edge.shared.token import is_loopback
from slotwatch.house.schema import House
from slotwatch.snapshot import Snapshot
from slotwatch.views.metrics import RESULTS
from slotwatch.views.moments import iso_wall
from slotwatch.views.notice import NoticeScene, test_notice
from slotwatch.views.notice_plan import NoticePlan, scene_of

LOOK_S = 1.0
SECRETS_S = 30.0
"""From one look at the files of the recipients' secrets to the next."""
FIRST_RETRY_MS = 5_000
LONGEST_RETRY_MS = 300_000
GIVE_UP_MS = 24 * 3_600_000
TEST_WITHIN_S = 100.0
"""How long the sender of a test waits for its result: longer than a try may take."""


def retry_ms(tries: int) -> int:
    """Give the time to wait after this many failed tries."""
    return min(LONGEST_RETRY_MS, FIRST_RETRY_MS << min(max(0, tries - 1), 10))


@dataclass(slots=True)
class NoticeRecipient:
    """One recipient: what it asked for, how it is reached, how it went."""

    name: str
    plan: NoticePlan
    way: NoticeWay
    counts: dict[str, int] = field(default_factory=lambda: dict.fromkeys(RESULTS, 0))
    trouble: str = ""
    """Why the newest message does not arrive, as the end of a sentence."""
    unusable: str = ""
    """Why nothing can be sent to it, because its secret cannot be had, as the end of a sentence."""
    tries: int = 0
    tried_ms: int = 0
    """Monotonic, like all times here."""
    due_ms: int = 0
    sent_at: str | None = None
    tests: dict[str, asyncio.Future[str]] = field(default_factory=dict)
    """Tests that wait to be tried, by the message's id. The sender waits for the result."""

    @property
    def fault(self) -> str:
        """Why messages do not reach it, as the end of a sentence; empty if they do."""
        return self.unusable or self.trouble


class Notifications:
    """Follows snapshots; `run` decides and sends."""

    name = "notifications"

    def __init__(
        self,
        house: House,
        page: str,
        now_ms: Callable[[], int] | None = None,
        queue: NoticeQueue | None = None,
    ) -> None:
        """page: address of the page for links. now_ms: a monotonic clock, and queue: where messages wait, for tests."""
        self._now_ms = now_ms or (lambda: clock.monotonic_ns() // 1_000_000)
        self._lock = asyncio.Lock()
        """Held around the queue, whose disk is waited for in a thread."""
        self._snapshot: Snapshot | None = None
        self._put = asyncio.Event()
        self._queue = queue or NoticeQueue(queue_place(house))
        self.recipients: dict[str, NoticeRecipient] = {}
        self._house, self._page = house, page
        self._queue.keep_only(one.name for one in house.notice_recipients)
        for one in house.notice_recipients:
            plan = NoticePlan(one.name, one.terms, self._queue.plan(one.name))
            self.recipients[one.name] = NoticeRecipient(one.name, plan, way_of(house, one))

    def note(self, snapshot: Snapshot) -> None:
        self._snapshot = snapshot

    def take_house(self, house: House, page: str) -> bool:
        """Continue under another house. False if it has other recipients: then a new one of these is needed."""
        same = _recipients_of(house) == _recipients_of(self._house)
        if same:
            self._house, self._page = house, page
        return same

    def close(self) -> None:
        self._queue.close()

    def health(self) -> dict[str, object]:
        """For the page, the API and the metrics."""
        troubles = [f"Messages do not reach {one.name}: {one.fault}." for one in self.recipients.values() if one.fault]
        troubles += [
            f"{one.counts['given_up'] + one.counts['dropped']} messages to {one.name} never arrived."
            for one in self.recipients.values()
            if one.counts["given_up"] + one.counts["dropped"]
        ]
        troubles += [self._queue.trouble] if self._queue.trouble else []
        return {
            "ok": not troubles,
            "text": " ".join(troubles),
            "receivers": [
                {
                    "name": one.name,
                    "kind": one.way.kind,
                    "ok": not one.fault,
                    "text": one.fault,
                    "waiting": self._queue.length(one.name),
                    "sent_at": one.sent_at,
                    **one.counts,
                }
                for one in self.recipients.values()
            ],
        }

    def unreached(self) -> list[str]:
        """Say to which recipients nothing can be sent, because their secrets cannot be had; a sentence each."""
        return [
            f"Messages do not reach {one.name}: {one.unusable}." for one in self.recipients.values() if one.unusable
        ]

    async def run(self) -> None:
        """Decide and send for ever."""
        senders = map(self._keep_sending, self.recipients.values())
        await work_together(self._keep_deciding(), self._keep_looking_at_secrets(), *senders)

    async def _keep_looking_at_secrets(self) -> None:
        while True:
            await self.look_at_secrets()
            await asyncio.sleep(SECRETS_S)

    async def look_at_secrets(self) -> None:
        """Find recipients whose secret cannot be had before a message has to reach them. Logs each reason once."""
        for one in self.recipients.values():
            reason = await one.way.unusable()
            if reason and reason != one.unusable:
                print(f"slotwatch: messages do not reach {one.name}: {reason}", file=sys.stderr, flush=True)
            one.unusable = reason

    async def _keep_deciding(self) -> None:
        while True:
            await self.decide()
            await asyncio.sleep(LOOK_S)

    async def decide(self) -> None:
        """Put in what is due by the newest snapshot."""
        snapshot, self._snapshot = self._snapshot, None
        if snapshot is None:
            return
        scene = scene_of(snapshot, self._house, self._page)
        for one in self.recipients.values():
            before = one.plan.kept()
            notices = one.plan.decide(scene, snapshot.now_ns)
            kept = one.plan.kept()
            if notices or kept != before:
                async with self._lock:
                    one.counts["dropped"] += await asyncio.to_thread(self._queue.put, one.name, notices, kept)
        self._wake()

    async def test(self, name: str) -> str:
        """Send a marked test through the recipient's queue. Empty if it was taken, else why not.

        A test that fails is not tried again: its sender gets the result at once.

        KeyError if the house has no such recipient.
        """
        one = self.recipients[name]
        notice = test_notice(
            NoticeScene(self._house.name, self._house.phase, clock.wall_ns(), (), page=self._page), name
        )
        tried = one.tests[notice.id] = asyncio.get_running_loop().create_future()
        try:
            async with self._lock:
                one.counts["dropped"] += await asyncio.to_thread(self._queue.put, name, [notice], one.plan.kept())
            one.due_ms = 0  # what waits before it is tried now, too
            self._wake()
            async with asyncio.timeout(TEST_WITHIN_S):
                reason: str = await tried
                return reason
        except TimeoutError:
            return f"it was not tried within {TEST_WITHIN_S:g} s; it waits in the queue"
        finally:
            one.tests.pop(notice.id, None)

    def _wake(self) -> None:
        """Have every recipient look at its queue."""
        self._put.set()
        self._put = asyncio.Event()

    async def turn(self, one: NoticeRecipient) -> int | None:
        """Try the recipient's next message if it is due. Gives how long to wait now, ms; None: nothing waits."""
        head = self._queue.head(one.name)
        if head is None:
            return None
        now_ms = self._now_ms()
        if now_ms < one.due_ms:
            return one.due_ms - now_ms
        reason = await one.way.send(head.notice)
        now_ms = self._now_ms()
        if reason:
            await self._failed(one, reason, now_ms)
            await self._tell_testers(one, head, reason)
        else:
            async with self._lock:
                await asyncio.to_thread(self._queue.done, head)
            one.counts["sent"] += 1
            one.sent_at = iso_wall(clock.wall_ns())
            one.trouble, one.unusable, one.tries, one.due_ms = "", "", 0, 0
            _tell(one, head.notice.id, "")
        return max(0, one.due_ms - now_ms) if self._queue.head(one.name) is not None else None

    async def _failed(self, one: NoticeRecipient, reason: str, now_ms: int) -> None:
        # What no try covered is not counted: a computer that slept, or was off, gives nothing up.
        more_ms = min(max(0, now_ms - one.tried_ms), 2 * LONGEST_RETRY_MS) if one.tries else 0
        one.counts["failed"] += 1
        one.trouble, one.tries, one.tried_ms = reason, one.tries + 1, now_ms
        one.due_ms = now_ms + retry_ms(one.tries)
        async with self._lock:
            await asyncio.to_thread(self._queue.note_outage, one.name, more_ms)
            while (head := self._queue.head(one.name)) is not None:
                if self._queue.outage_ms(one.name) - head.put_outage_ms < GIVE_UP_MS:
                    break
                await asyncio.to_thread(self._queue.done, head)
                one.counts["given_up"] += 1
                line = f"message {head.notice.id} to {one.name} is given up after 24 h: {head.notice.title}"
                print(f"slotwatch: {line}", file=sys.stderr, flush=True)

    async def _tell_testers(self, one: NoticeRecipient, tried: WaitingNotice, reason: str) -> None:
        """Answer the sender of a test: why it did not arrive, or what it waits for."""
        if tried.notice.kind == "test":
            async with self._lock:
                await asyncio.to_thread(self._queue.done, tried)
            _tell(one, tried.notice.id, reason)
        else:
            for number in list(one.tests):
                _tell(one, number, f"it waits behind a message that does not arrive: {reason}")

    async def _keep_sending(self, one: NoticeRecipient) -> None:
        while True:
            put = self._put
            wait_ms = await self.turn(one)
            try:
                async with asyncio.timeout(None if wait_ms is None else max(0.01, wait_ms / 1000)):
                    await put.wait()
            except TimeoutError:
                continue


def _tell(one: NoticeRecipient, number: str, reason: str) -> None:
    """Answer the sender of this test with its result."""
    waiting = one.tests.get(number)
    if waiting is not None and not waiting.done():
        waiting.set_result(reason)


async def send_test(house: House, page: str, name: str) -> str:
    """Send a marked test to one recipient past any queue: where no daemon runs. Empty if it was taken, else why not.

    KeyError if the house has no such recipient.
    """
    recipient = {one.name: one for one in house.notice_recipients}[name]
    scene = NoticeScene(house.name, house.phase, clock.wall_ns(), (), page=page)
    return await way_of(house, recipient).send(test_notice(scene, name))


def _recipients_of(house: House) -> tuple[object, ...]:
    return house.notice_recipients, queue_place(house), house.file


def queue_place(house: House) -> Path:
    """Beside the history."""
    place = state_place(house, house.history.path)
    return place.with_name(f"{place.stem}-messages.db")


def page_address(house: House, computer: str) -> str:
    """The page's address as a person elsewhere would type it, as well as it can be known. Empty: nobody elsewhere can
    open it."""
    host = house.http.host
    if house.http.hosts:
        host = house.http.hosts[0]
    elif is_loopback(host):
        return ""
    elif host in ("0.0.0.0", "::"):
        host = computer
    scheme = "https" if house.http.certificate_file else "http"
    return f"{scheme}://{f'[{host}]' if ':' in host else host}:{house.http.port}"
