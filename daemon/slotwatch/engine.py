"""The orchestrator: packets and observations in, judgement and snapshots out.

The only pure file that knows wire, model and judge together. It reads no clock: packets carry their time, and
`tick` brings everything else. `serve` and `replay` therefore judge alike.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import NEVER_NS
from slotwatch.house.schema import House, Phase
from slotwatch.judge.binding import TICK_NS
from slotwatch.judge.events import Event
from slotwatch.judge.judge import Judge
from slotwatch.judge.orders import MarkPut, Order, OrderResult, PutMark
from slotwatch.model.continuations import CompiledPass
from slotwatch.model.minutes import Minutes
from slotwatch.model.model import Model
from slotwatch.model.report import Reporter, counters
from slotwatch.snapshot import Snapshot, UniverseState
from slotwatch.snapshot.readiness import Readiness
from slotwatch.wire.batch import Batch
from slotwatch.wire.decode import decode
from slotwatch.wire.novelty import CompiledLook, Routine
from slotwatch.wire.observation import DropsSeen, JoinSeen, LeaveSeen, Observation

CALM_NS = 100_000_000
"""Time between two ticks while nothing falls silent: windows move in such steps."""
SETTLED_NS = 400_000_000
"""And while nothing is under way and packets bring no change."""
NOTE_NS = 1_000_000_000
"""How often states go into the minute's summary, and readiness is judged again."""
MAX_MARK = 500
"""Letters of a mark that are kept."""


def waits_ns(longest_ns: int, soonest_loss_ns: int | None, ticked_ns: int) -> int:
    """Return how long the next tick may wait after the last, so that a stream is found lost in time."""
    if soonest_loss_ns is None:
        return longest_ns
    return min(longest_ns, max(TICK_NS, soonest_loss_ns - ticked_ns))


class Engine:
    """All state of one watched house. One caller at a time; times are monotonic nanoseconds."""

    def __init__(
        self,
        house: House,
        *,
        now_ns: int,
        wall_offset_ns: int,
        phase: Phase | None = None,
        replay: bool = False,
        compiled: CompiledPass | None = None,
        looking: CompiledLook | None = None,
    ) -> None:
        """compiled: takes routine packets; None: numpy does, with the same result. looking: the same for
        `brings_change`."""
        self.house = house
        self.started_ns = now_ns
        self.now_ns = now_ns
        self.wall_offset_ns = wall_offset_ns
        self.replay = replay
        self.model = Model(house, now_ns, compiled)
        self.judge = Judge(house, now_ns, wall_offset_ns, phase)
        self.judge.listener.is_recording = replay
        self._routine = Routine(looking)
        self._reporter = Reporter(self.model)
        self._minutes = Minutes(now_ns, wall_offset_ns)
        self._noted_ns = now_ns
        self._ticked_ns = now_ns
        self._has_news = True
        """Whether anything but routine packets came since the last tick."""
        self._lost = 0
        """Packets that this computer has lost, as it counted them last."""
        self._snapshots = 0
        self._events: list[Event] = []
        self._opened: Counter[str] = Counter()
        self._readiness = Readiness()
        self._readiness_ns: int | None = None
        self._readiness_about: tuple[int, bytes] = 0, b""

    # --- in -------------------------------------------------------------------------------------------

    def ingest(self, batch: Batch) -> None:
        """Take many packets, in order of arrival. The batch may be a view: nothing of it is kept."""
        for others in self.model.take_routine(batch):
            self._has_news = True
            self.model.ingest(others, decode(others))

    def observe(self, observation: Observation) -> None:
        """Take what the edge observed beside packets."""
        self._has_news = True
        if isinstance(observation, JoinSeen):
            self.model.note_group(observation.network, observation.universe, 1 if observation.ok else -1)
        elif isinstance(observation, LeaveSeen):
            self.model.note_group(observation.network, observation.universe, 0, observation.t_ns)
        elif isinstance(observation, DropsSeen):
            lost, self._lost = self._lost, observation.kernel + observation.ring
            if self._lost > lost:
                self.model.forget_undecided()
        self.judge.observe(observation)

    def tick(self, now_ns: int, wall_offset_ns: int | None = None) -> None:
        """Let time pass and judge. Wanted after `rest_ns`; for a time that has passed already nothing is judged."""
        if wall_offset_ns is not None:
            self.wall_offset_ns = wall_offset_ns
        if now_ns < self.now_ns:
            return
        self.now_ns = self._ticked_ns = now_ns
        self._has_news = False
        self.model.advance(now_ns)
        self.judge.tick(now_ns, self.model, self.wall_offset_ns)
        self._collect_events()
        if not self.replay:
            self._keep_minutes(now_ns)

    def brings_change(self, batch: Batch, first: int = 0, end: int | None = None) -> bool:
        """Whether the rows [first, end), not ingested yet, are more than routine: then the next tick should not wait
        for `rest_ns`. Wants every packet once, in order; none is kept."""
        return self._routine.brings_change(batch, first, end)

    def next_deadline_ns(self) -> int:
        """When `tick` is due next, if no packet brings a change."""
        return self._ticked_ns + self.rest_ns

    def watch(self, *, is_on: bool) -> None:
        """Say whether passes find out how long what they find holds; worth it before a silence."""
        self.judge.is_watching = is_on

    def holds_until_ns(self, paced_until_ns: int = NEVER_NS) -> int:
        """Until when ticks change nothing if nothing comes; the last tick's own time where that is not known.

        paced_until_ns: until when it matters to the caller when `is_settled` changes.
        """
        until_ns = self.model.holds_until_ns()
        # While the model may change, the rules that keep something of each look are not asked out of turn.
        return min(until_ns, self.judge.holds_until_ns(paced_until_ns)) if until_ns > self.now_ns else until_ns

    def ends_at_rest_ns(self, longest_gap_ns: int) -> set[int] | None:
        """All times at which something may change while all streams only repeat themselves, those among them at which
        a stream would be late; None where they are not known. longest_gap_ns: between two packets of one stream."""
        ends_ns = self.judge.ends_at_rest_ns()
        forgets_ns = self.model.forgets_at_rest_ns(longest_gap_ns)
        return None if ends_ns is None or forgets_ns is None else ends_ns | {forgets_ns}

    def leap_over_rest(self, batch: Batch) -> None:
        """Take packets that only repeat what their streams sent, without judging. What follows has to fill all windows
        before the next tick."""
        self.model.leap_over_rest(batch, decode(batch))
        self.now_ns = self._ticked_ns = self.model.now_ns

    def pass_over(self, ticks_ns: Sequence[int]) -> None:
        """Take note of ticks that were left out because they would have changed nothing. Times ascend."""
        self.now_ns = self._ticked_ns = ticks_ns[-1]
        self.judge.pass_over(ticks_ns, self.model)

    @property
    def live_streams(self) -> int:
        """How many streams send and are neither lost nor terminated."""
        return int(np.count_nonzero(self.model.streams.live[: self.model.streams.top]))

    @property
    def is_settled(self) -> bool:
        """Whether nothing is under way, so that only what arrives or a stream that is lost changes anything."""
        return self.judge.is_settled

    @property
    def rest_ns(self) -> int:
        """How long the next tick may wait after the last: TICK_NS to SETTLED_NS, and no stream is lost meanwhile."""
        longest_ns = SETTLED_NS if self.judge.is_settled else CALM_NS
        return waits_ns(longest_ns, self.model.soonest_loss_ns(), self._ticked_ns)

    @property
    def busy_rest_ns(self) -> int:
        """How long the next tick may wait after the last while packets are taken that were not looked at before: as
        long as `rest_ns` if all of them were routine."""
        if not self._has_news:
            return self.rest_ns
        return waits_ns(CALM_NS, self.model.soonest_loss_ns(), self._ticked_ns)

    def take_house(self, house: House, now_ns: int) -> None:
        """Continue under another house file: what is known of streams and incidents is kept."""
        self.house = house
        self._has_news = True
        self.model.take_house(house)
        self.judge.take_house(house, now_ns)
        self._readiness_ns = None

    def command(self, order: Order) -> OrderResult:
        """Carry out an order of a person or of the history. ValueError with a sentence if it cannot be done."""
        self._has_news = True
        done = self._put_mark(order) if isinstance(order, PutMark) else self.judge.command(order)
        self._collect_events()
        self._readiness_ns = None
        return done

    def _put_mark(self, order: PutMark) -> MarkPut:
        words = " ".join(order.text.split())[:MAX_MARK]
        if not words:
            raise ValueError("a mark needs a text: what happened?")
        self._events.append(Event(self.now_ns, "mark", f"{order.by}: {words}" if order.by else words))
        return MarkPut(words, self.now_ns)

    # --- out ------------------------------------------------------------------------------------------

    def take_events(self) -> list[Event]:
        """Give what happened since the last call, in order: incidents opened, revised, closed; phases; marks."""
        self._collect_events()
        events, self._events = self._events, []
        return events

    def snapshot(self, now_ns: int) -> Snapshot:
        """Copy everything that can be shown. `now_ns` is the moment it is shown for."""
        model, judge = self.model, self.judge
        states = judge.universe_states(model, now_ns)
        shown = self._reporter.report(states)
        network = judge.network(now_ns)
        self._snapshots += 1
        return Snapshot(
            sequence=self._snapshots,
            now_ns=now_ns,
            wall_offset_ns=self.wall_offset_ns,
            started_ns=self.started_ns,
            house=judge.house_view(now_ns),
            universes=shown.universes,
            universe_names=shown.universe_names,
            universe_labels=shown.universe_labels,
            streams=shown.streams,
            sources=tuple(replace(source, **judge.where(source.network, source.address)) for source in shown.sources),
            levels=shown.levels,
            slot_owners=shown.slot_owners,
            interval_bins=shown.interval_bins,
            incidents=tuple(judge.incidents(now_ns)),
            next_incident=judge.next_incident,
            exceptions=judge.exceptions_in_force,
            counters=counters(model, self._opened),
            minutes=self._minutes.finished,
            readiness=self._judge_readiness(now_ns, states),
            racks=judge.shown.racks(model),
            rig_check=judge.shown.rig_check(model),
            hours=judge.shown.hours(model, now_ns),
            receivers=network.receivers,
            listeners=network.listeners,
            neighbours=network.neighbours,
            switches=network.switches,
        )

    def _judge_readiness(self, now_ns: int, states: NDArray[np.uint8]) -> Readiness:
        # Asked right after an incident, or what is not judged has changed, the two must not contradict each other.
        about = self.judge.revision, (states == np.uint8(UniverseState.NOT_JUDGED)).tobytes()
        if self._readiness_ns is None or now_ns - self._readiness_ns >= NOTE_NS or about != self._readiness_about:
            self._readiness_ns, self._readiness_about = now_ns, about
            self._readiness = self.judge.readiness(self.model, now_ns, states)
        return self._readiness

    # --- keeping --------------------------------------------------------------------------------------

    def _collect_events(self) -> None:
        for event in self.judge.take_events():
            self._readiness_ns = None  # so that incidents and readiness of one snapshot say the same
            self._events.append(event)
            if event.what == "opened" and event.incident is not None:
                self._opened[event.incident.rule] += 1

    def _keep_minutes(self, now_ns: int) -> None:
        if now_ns - self._noted_ns >= NOTE_NS:
            states = self.judge.universe_states(self.model, now_ns)
            elapsed_s = (now_ns - self._noted_ns) / 1e9
            self._minutes.note(self.model, states, states == np.uint8(UniverseState.NOT_JUDGED), elapsed_s)
            self._noted_ns = now_ns
        self._minutes.turn(self.model, now_ns, self.wall_offset_ns)
