"""The judge: runs every rule over the model, and keeps the incidents that result.

Time is an argument everywhere. Call `tick` every 50 ms, less often while `is_settled`; a pass over a healthy house is
array work alone. A rule is plugged in as `judge.binding` says.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from functools import partial

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import NANOSECONDS, NEVER_NS
from slotwatch.house.schema import House, Phase
from slotwatch.judge import answers, orders, phases, readiness, states
from slotwatch.judge.assembler import REFRESH_NS, Assembler
from slotwatch.judge.before import NOTHING_BEFORE, Before
from slotwatch.judge.binding import Lasting, RuleSetup
from slotwatch.judge.catalog import RULES
from slotwatch.judge.context import RuleContext
from slotwatch.judge.earlier import as_left
from slotwatch.judge.events import Event
from slotwatch.judge.exceptions import Exceptions
from slotwatch.judge.incidents import IncidentBook
from slotwatch.judge.listener import Listener
from slotwatch.judge.model_view import ModelView
from slotwatch.judge.network_rows import NetworkRows, network_rows
from slotwatch.judge.phases import PhaseKeeper
from slotwatch.judge.raised import Raised
from slotwatch.judge.rule import Rule
from slotwatch.judge.rule_state import all_states
from slotwatch.judge.rules.too_many_sources import crowd_of
from slotwatch.judge.shown import Shown
from slotwatch.judge.switch_rows import SwitchRows, Whereabouts, where
from slotwatch.judge.universe_names import UniverseNames
from slotwatch.snapshot import HouseView, Incident, MadeException, UniverseState
from slotwatch.snapshot.readiness import Readiness
from slotwatch.wire.observation import Observation

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class Judge:
    """All rules, causes and incidents of one house."""

    def __init__(
        self,
        house: House,
        now_ns: int,
        wall_offset_ns: int,
        phase: Phase | None = None,
        rules: Sequence[Rule] = RULES,
    ) -> None:
        self.house = house
        self.rules = rules
        self.wall_offset_ns = wall_offset_ns
        self.started_ns = now_ns
        self.listener = Listener(now_ns)
        self._zone = phases.zone_of(house)
        self._keeper = PhaseKeeper(self._first_phase(house, now_ns, phase), now_ns)
        self._book = IncidentBook(wall_offset_ns, rules)
        self._assembler = Assembler(self._book)
        self._lasting: Lasting = {}
        self._conditions = all_states(house, self.rules, lasting=self._lasting)
        self._answers = answers.Answers(self._conditions)
        self.shown = Shown()
        """Racks, rig check and hours."""
        self._switch_rows = SwitchRows()
        self._events: list[Event] = []
        self._schedule_due_ns = self._resumed_ns = self._look_again_ns = 0
        self._before = NOTHING_BEFORE
        self._exceptions = Exceptions()
        self._crowd = crowd_of(RuleSetup(house, (rule.parameters for rule in rules)))
        self._has_phase_memory = False
        """Whether the phase is that of an earlier judgement already: the history's may be older."""
        self._regrade = False
        """Whether incidents have to be put together again, though no case changed: phase, house or exceptions did."""
        self._now_ns = now_ns
        self._context: RuleContext | None = None
        """Of the last pass."""
        self._names = UniverseNames()
        self.is_watching = False
        """Whether rules are asked how long their answers hold; worth it before a silence."""
        self._touched = 0
        """Rises with every change of what conditions may read, other than the model and the time."""

    @property
    def revision(self) -> int:
        """Rises whenever an incident opened, closed or changed in a way that people see."""
        return self._book.revisions

    @property
    def next_incident(self) -> int:
        """The number that the next incident gets."""
        return self._book.next_id

    def number_from(self, next_incident: int) -> None:
        """Give no incident a smaller number than this."""
        self._book.next_id = max(self._book.next_id, next_incident)

    @property
    def exceptions_in_force(self) -> tuple[MadeException, ...]:
        """Exceptions that were made from incidents and have not ended."""
        return self._exceptions.in_force(self._now_ns + self.wall_offset_ns) if self._exceptions else ()

    @property
    def phase(self) -> Phase:
        return self._keeper.phase

    @property
    def is_settled(self) -> bool:
        """Whether nothing is under way: no delay runs, no cause may still change, no event waits."""
        if self._regrade or self._assembler.is_waiting or self._assembler.is_revising or self._book.due_ns is not None:
            return False
        ctx = self._context
        if ctx is None:
            return False
        return not self._answers.is_under_way(ctx)

    def _first_phase(self, house: House, now_ns: int, phase: Phase | None) -> Phase:
        if phase is not None:
            return phase
        due = phases.scheduled(house, self._wall(now_ns), self._zone)
        return due[1] if due is not None else house.phase

    def _wall(self, now_ns: int) -> datetime:
        return EPOCH + timedelta(microseconds=(now_ns + self.wall_offset_ns) // 1000)

    # --- the engine's calls ---------------------------------------------------------------------------

    def observe(self, observation: Observation) -> None:
        """Take what the edge observed other than packets."""
        self._touched += 1
        self.listener.observe(observation)

    def tick(self, now_ns: int, model: ModelView, wall_offset_ns: int | None = None) -> None:
        """Judge one pass."""
        if wall_offset_ns is not None:
            self.wall_offset_ns = wall_offset_ns
            self._book.take_clock(wall_offset_ns, now_ns, is_recording=self.listener.is_recording)
        self._now_ns = now_ns
        self._touched += self._regrade
        self.shown.follow(model, now_ns, self.wall_offset_ns)
        ctx = self._context = self._context_at(model, now_ns)
        self._crowd.look(ctx)
        changed = self._regrade
        changed |= self._answers.look(ctx)
        if now_ns >= self._schedule_due_ns:
            self._schedule_due_ns = now_ns + NANOSECONDS
            changed |= self._follow_timetable(ctx)
        if self._book.resumed and now_ns >= self._look_again_ns:
            self._look_again_ns = now_ns + REFRESH_NS
            self._book.look_again(ctx, now_ns - self._resumed_ns)
        self._assembler.is_stale |= changed
        self._assembler.is_refreshed |= self._answers.is_refreshed
        if self._assembler.follow(ctx, self._cases, self._wall(now_ns)):
            self._regrade = False
            self._answers.take_explained()

    def _cases(self) -> list[Raised]:
        return [case for condition in self._conditions if condition.raised for case in condition.raised.values()]

    def holds_until_ns(self, paced_until_ns: int = NEVER_NS) -> int:
        """Until when passes change nothing if nothing comes; the last pass's own time where that is not known.

        paced_until_ns: until when `is_settled` says something to the caller.
        """
        ctx = self._context
        if ctx is None or ctx.revision is None or not self._depends_on_ages(ctx):
            return self._now_ns
        ends_ns = [self._answers.soonest_change_ns(ctx), self._assembler.holds_until_ns(ctx, paced_until_ns)]
        if self._book.due_ns is not None:
            ends_ns.append(self._book.due_ns)
        return min(ends_ns)

    def ends_at_rest_ns(self) -> set[int] | None:
        """All times at which an answer of the last pass may be another one; None where they are not known."""
        ctx = self._context
        if ctx is None or not self.is_settled or not self._depends_on_ages(ctx):
            return None
        return self._answers.ends_at_rest_ns(ctx)

    def _depends_on_ages(self, ctx: RuleContext) -> bool:
        """Whether time alone changes something only where an age reaches a limit."""
        if self._follows_clock or self._assembler.is_waiting or self._regrade or self._book.resumed:
            return False
        return not self._crowd.may_change and answers.counts_no_looks(ctx)

    def pass_over(self, ticks_ns: Sequence[int], model: ModelView) -> None:
        """Take note of passes that were left out because they would have changed nothing. Times ascend."""
        self._answers.pass_over(ticks_ns, partial(self._context_at, model, ticks_ns[-1]))
        self._assembler.pass_over(ticks_ns)

    @property
    def _follows_clock(self) -> bool:
        """Whether the time of day may change something: phases, quiet windows, what is accepted until a date."""
        house = self.house
        return bool(house.timetable or house.quiet or house.accepted or self._exceptions or self._keeper.pending)

    def look_at_all(self) -> None:
        """Let the next pass look at every rule, however lately it did: nothing comes after a capture's end."""
        self._answers.look_at_all()

    def _context_at(self, model: ModelView, now_ns: int) -> RuleContext:
        return RuleContext(
            model,
            self.house,
            self.listener,
            now_ns=now_ns,
            started_ns=self.started_ns,
            phase=self._keeper.phase,
            phase_since_ns=self._keeper.since_ns,
            wall_offset_ns=self.wall_offset_ns,
            zone=self._zone,
            exceptions=self._exceptions.in_force(now_ns + self.wall_offset_ns) if self._exceptions else (),
            before=self._before,
            crowd=self._crowd,
            revision=model.revision + self._touched if self.is_watching else None,
            universe_names=self._names.follow(model.universes),
            earlier=self._context,
        )

    def _follow_timetable(self, ctx: RuleContext) -> bool:
        if not self.house.timetable and self._keeper.pending is None:
            return bool(self.house.quiet or self.house.accepted or self._exceptions)
        before, pending = self._keeper.phase, self._keeper.pending
        sentence = self._keeper.follow(
            self.house,
            ctx.now_ns,
            self._wall(ctx.now_ns),
            self._zone,
            partial(states.closed_cleanly, ctx),
            partial(states.say_still_sent, ctx),
        )
        if sentence and (self._keeper.phase is not before or self._keeper.pending is not pending):
            self._events.append(Event(ctx.now_ns, "phase", sentence))
        return self._keeper.phase is not before or bool(self.house.accepted or self._exceptions)

    def take_events(self) -> list[Event]:
        """Give what changed since the last call, in order."""
        events, self._events = [*self._events, *self._book.take_events()], []
        return sorted(events, key=lambda event: event.t_ns)

    def incidents(self, now_ns: int) -> list[Incident]:
        """Give all open incidents, then the newest closed ones (newest last)."""
        return [*self._book.open_incidents(), *self._book.closed_incidents()]

    def take_house(self, house: House, now_ns: int) -> None:
        """Judge by another house file from now on. What is raised is found again; incidents stay the same."""
        before, self.house = self.house, house
        self._zone = phases.zone_of(house)
        if (house.timetable, house.time_zone) != (before.timetable, before.time_zone):
            self._keeper.take_timetable(house, self._wall(now_ns), self._zone)
        self.shown.take_house()
        self._answers.catch_up()
        self._conditions = all_states(house, self.rules, self._conditions, self._lasting)
        self._answers = answers.Answers(self._conditions)
        self._regrade = True

    # --- views ----------------------------------------------------------------------------------------

    def universe_states(self, model: ModelView, now_ns: int) -> NDArray[np.uint8]:
        """Give each universe row its `snapshot.UniverseState`. Shape (U,) over the table's rows."""
        ctx = self._context_at(model, now_ns)
        found = states.universe_states(ctx, self._assembler.clusters)
        states.paint_open(found, ctx, self._book.open_incidents(), self._book.resumed)
        return found

    def house_view(self, now_ns: int) -> HouseView:
        """Give what is true of the whole house and of this listener."""
        names = tuple(network.name for network in self.house.networks)
        until = phases.quiet_until(self.house, self._wall(now_ns))
        until_ns = None if until is None else int((until - EPOCH).total_seconds() * NANOSECONDS) - self.wall_offset_ns
        return HouseView(
            name=self.house.name,
            phase=str(self._keeper.phase),
            phase_since_ns=self._keeper.since_ns,
            vantage=self.house.listen.vantage,
            networks=names,
            house_file=self.house.file,
            listener=self.listener.health(now_ns, names),
            phase_pending=str(self._keeper.pending or ""),
            phase_timetable_wall_ns=self._keeper.handled_wall_ns,
            last_show=self.listener.last_show.row(),
            quiet_until_ns=until_ns,
        )

    def readiness(self, model: ModelView, now_ns: int, universe_states: NDArray[np.uint8] | None = None) -> Readiness:
        """Answer the half-hour call: judged as if in `show`, whatever the phase. universe_states: those of now."""
        if universe_states is None:
            universe_states = self.universe_states(model, now_ns)
        waiting = [one for one in self._book.waiting if one.returned_ns is None]
        is_open = (*self._book.calm_incidents(), *waiting)
        return readiness.judge_readiness(
            self._context_at(model, now_ns),
            self._assembler.clusters,
            self._wall(now_ns),
            universe_states == UniverseState.NOT_JUDGED,
            is_open,
        )

    def where(self, network: int, address: str) -> Whereabouts:
        """Give `mac` and `place` of an address: the device that claims it, and the switch port that this is on."""
        return where(self.listener, self._context, network, address)

    def network(self, now_ns: int) -> NetworkRows:
        """Give receivers, switches, neighbours and other listeners."""
        return network_rows(self.house, self.rules, self.listener, self._switch_rows, self._context, now_ns)

    # --- commands -------------------------------------------------------------------------------------

    def command(self, order: orders.JudgedOrder) -> orders.OrderResult:
        """Carry out an order. ValueError with a sentence if it cannot be done."""
        match order:
            case orders.Acknowledge():
                return self._acknowledge(order)
            case orders.Unacknowledge():
                return orders.OfIncident(self._book.unacknowledge(order.id, self._now_ns).id)
            case orders.Accept():
                return self._accept(order)
            case orders.Unaccept():
                return self._unaccept(order)
            case orders.SetPhase():
                return self._set_phase(order)
            case orders.Resume():
                return self._resume(order)
            case orders.ChangeRigCheck():
                return self.shown.change_rig_check(order)
            case orders.ChangeLamp():
                return self.shown.change_lamp(order)
            case orders.Restore():
                return self.shown.restore(order)

    def _acknowledge(self, order: orders.Acknowledge) -> orders.OfIncident:
        if not order.by.strip():
            raise ValueError("an acknowledgement needs a name: who acknowledges it?")
        return orders.OfIncident(
            self._book.acknowledge(order.id, order.by.strip(), order.note.strip(), self._now_ns).id
        )

    def _accept(self, order: orders.Accept) -> orders.OfIncident:
        found = self._book.find(order.id)
        now_wall_ns = self._now_ns + self.wall_offset_ns
        made = self._exceptions.make(found, order.reason, order.by, order.until_wall_ns, now_wall_ns)
        text = f"Accepted by {made.by} until {made.until}: {made.reason}"
        self._book.note_exception(found.id, made, text, self._now_ns)
        self._regrade = True
        return orders.OfIncident(found.id)

    def _unaccept(self, order: orders.Unaccept) -> orders.OfIncident:
        made = self._exceptions.take_back(order.id)
        who = f" by {order.by.strip()}" if order.by.strip() else ""
        self._book.note_exception(made.incident, None, f"The exception was taken back{who}.", self._now_ns)
        self._regrade = True
        return orders.OfIncident(made.incident)

    def _set_phase(self, order: orders.SetPhase) -> orders.PhaseSet:
        wanted = order.phase
        is_lower = phases.severity_rank(wanted) < phases.severity_rank(self._keeper.phase)
        closed = self._context is not None and states.closed_cleanly(self._context)
        if is_lower and not order.confirm and not closed:
            raise ValueError(
                f"alerts are less severe in {wanted} than in {self._keeper.phase}, and not all sources have closed: "
                "confirm to change"
            )
        if wanted is not self._keeper.phase or self._keeper.pending is not None:
            self._events.append(Event(self._now_ns, "phase", self._keeper.set(wanted, self._now_ns, "set by a person")))
            self._regrade = True
        return orders.PhaseSet(self._keeper.phase)

    def _resume(self, order: orders.Resume) -> orders.Resumed:
        """Continue with what an earlier judgement knew."""
        self._book.resume(order.next_id, order.incidents, self._now_ns)
        self._resumed_ns = self._now_ns
        # This may come late: what was opened since the start is nothing from before it, nor is what was found since.
        left = [one for one in as_left(order.incidents, self.wall_offset_ns) if one.opened_ns < self.started_ns]
        self._before = Before.of(left, order.heard, self.wall_offset_ns, order.homes)
        if order.phase is not None and not self._has_phase_memory:
            self._keeper.resume(order.phase, self.wall_offset_ns)
            self._has_phase_memory = self._regrade = True
        self._exceptions.resume(order.exceptions)
        if order.last_show is not None:
            self.listener.observe(order.last_show)
        self.listener.switches.remember(
            {name: (at_ns - self.wall_offset_ns, uptime_ticks) for name, at_ns, uptime_ticks in order.switches}
        )
        if order.away is not None:
            self.listener.note_away(order.away.from_wall_ns - self.wall_offset_ns, self.started_ns, order.away.reason)
        return orders.Resumed(self._book.next_id)
