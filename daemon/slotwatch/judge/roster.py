"""The declared sources of each declared universe, and which of them are absent."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from slotwatch.house.schema import House
from slotwatch.judge.binding import TICK_NS, Finding, Mask
from slotwatch.judge.context import RuleContext
from slotwatch.judge.silences import awaited_ns, say_awaited
from slotwatch.judge.visitors import Visitors

Absent = tuple[str, int, int | str]
"""`stream`, its row and generation; or `never`, a row of the universe table and the source's name."""


class Roster:
    """Shared by the rules of absent sources; see `RuleSetup.shared`."""

    def __init__(self, house: House) -> None:
        self._index = {source.name: index for index, source in enumerate(house.sources)}
        self._roles = np.array([source.role == "backup" for source in house.sources], np.bool_)
        self._silent = np.array([source.standby == "silent" for source in house.sources], np.bool_)
        self._never: dict[tuple[int, int], str] = {}
        for number, universe in enumerate(house.universes):
            for name in universe.sources:
                index = self._index.get(name)
                if index is None or not universe.expected:
                    continue
                if house.sources[index].role == "backup" and house.sources[index].standby == "silent":
                    continue
                self._never[number, index] = name
        self._checked_ns = 0
        self._checked_of: int | None = None
        """Revision of which those that came are struck out."""
        self._absent: dict[bool, dict[Absent, None]] = {False: {}, True: {}}
        """What the last pass found, of mains and of backups."""

    def absent(self, ctx: RuleContext, *, backups: bool, start_ns: int) -> dict[Absent, None]:
        """Backups, or else main sources, that fell silent or never came on a universe that another keeps alive.

        One that is absent stays so when the universe dies altogether: it has not come back.
        start_ns: time that a house is given to appear.
        """
        if not len(self._roles):
            return {}
        self._strike_out(ctx)
        found: dict[Absent, None] = dict.fromkeys(self._fell_silent(ctx, backups, start_ns))
        if ctx.now_ns - ctx.started_ns >= start_ns:
            found.update(dict.fromkeys(self._never_came(ctx, backups, start_ns)))
            found.update(dict.fromkeys(self._still_lost(ctx, backups, start_ns)))
        found.update((key, None) for key in self._absent[backups] if key not in found and self._is_still_away(ctx, key))
        self._absent[backups] = found
        return found

    def _is_still_away(self, ctx: RuleContext, key: Absent) -> bool:
        """Whether an absence that was found lasts, on a universe that is silent by now."""
        kind, row, last = key
        universes, streams = ctx.universes, ctx.streams
        if kind == "never":
            return bool(universes.used[row]) and not universes.live[row] and not self._was_heard(ctx, row, str(last))
        if not streams.used[row] or int(streams.generation[row]) != last or streams.live[row]:
            return False
        return not universes.live[streams.universe[row]]

    def _fell_silent(self, ctx: RuleContext, backups: bool, start_ns: int) -> Iterable[Absent]:
        streams, universes = ctx.streams, ctx.universes
        if not streams.count:
            return
        role = ctx.stream_sources_declared
        wanted, ended = ctx.once(_heard_and_ended)
        silent_ns = ctx.now_ns - streams.last_arrival_ns
        gone = wanted & (silent_ns > universes.loss_timeout_ns[streams.universe])
        gone |= ended
        if not gone.any():
            return
        gone &= self._roles[role] == backups
        if backups:
            gone &= ~self._silent[role]
        gone &= (universes.live[streams.universe] > 0) & (universes.declared[streams.universe] >= 0)
        for row in np.flatnonzero(gone).tolist():
            if self._may_be_reported(ctx, row, start_ns):
                yield ("stream", row, int(streams.generation[row]))

    def _may_be_reported(self, ctx: RuleContext, row: int, start_ns: int) -> bool:
        streams = ctx.streams
        universe, network = int(streams.universe[row]), int(streams.network[row])
        declared = ctx.declared_universe(universe)
        name = ctx.sources[int(streams.source[row])].declared_as
        if declared is None or (declared.sources and name not in declared.sources):
            return False
        if ctx.listener.is_blind(network, ctx.now_ns):
            return False
        settle_ns = ctx.listener.silence_counts_from_ns(network)
        if streams.last_arrival_ns[row] < settle_ns - start_ns and ctx.now_ns < settle_ns:
            return False
        if Visitors(ctx).visit(row) is not None:
            return False
        # The same source under a new address or identity has not gone.
        return not any(
            ctx.sources[ctx.source_of(other)].declared_as == name
            for other in ctx.streams_of(universe).tolist()
            if other != row and streams.last_arrival_ns[other] > streams.last_arrival_ns[row]
        )

    def _never_came(self, ctx: RuleContext, backups: bool, start_ns: int) -> Iterable[Absent]:
        if not self._never:
            return
        universes = ctx.universes
        alive: dict[int, list[int]] = {}
        for row in np.flatnonzero(universes.used & (universes.declared >= 0) & (universes.live > 0)).tolist():
            alive.setdefault(int(universes.declared[row]), []).append(row)
        for (number, index), name in self._never.items():
            if bool(self._roles[index]) == backups:
                for row in alive.get(number, ()):
                    if not self._is_due(ctx, row, start_ns) or not (backups or self._only_backups(ctx, row)):
                        continue
                    # It may have come since those that came were last struck out.
                    if not self._was_heard(ctx, row, name):
                        yield ("never", row, name)

    def _still_lost(self, ctx: RuleContext, backups: bool, start_ns: int) -> Iterable[Absent]:
        """What was absent before a restart and has not come since, where its source is heard elsewhere."""
        for row, name in ctx.earlier_absences:
            index = self._index.get(name)
            if index is None or bool(self._roles[index]) != backups or not ctx.universes.live[row]:
                continue
            if self._is_due(ctx, row, start_ns) and not self._was_heard(ctx, row, name):
                yield ("never", row, name)

    @staticmethod
    def _is_due(ctx: RuleContext, row: int, start_ns: int) -> bool:
        """Whether the time that a house is given to appear is over on the network of a universe."""
        network = int(ctx.universes.network[row])
        counts_ns = max(ctx.listener.silence_counts_from_ns(network), int(awaited_ns(ctx, [row])[0]))
        return not ctx.listener.is_blind(network, ctx.now_ns) and ctx.now_ns - counts_ns >= start_ns

    @staticmethod
    def _was_heard(ctx: RuleContext, row: int, name: str) -> bool:
        """Whether a source was ever heard on a universe, by its name in the house file."""
        heard = (one for one in ctx.streams_of(row).tolist() if ctx.streams.last_arrival_ns[one] > 0)
        return any(ctx.sources[ctx.source_of(one)].declared_as == name for one in heard)

    @staticmethod
    def _only_backups(ctx: RuleContext, row: int) -> bool:
        """Whether of declared sources backups alone send a universe. Of several mains one may be silent all night."""
        senders = [ctx.declared_source(ctx.source_of(one)) for one in ctx.streams_of(row) if ctx.live[one]]
        return {sender.role for sender in senders if sender is not None} == {"backup"}

    def pass_over(self, ticks_ns: Sequence[int]) -> None:
        """Make up for passes that were left out: note when they would have struck out those that came."""
        if self._never:
            for at_ns in ticks_ns:
                if at_ns - self._checked_ns >= 2 * TICK_NS:
                    self._checked_ns = at_ns

    def _strike_out(self, ctx: RuleContext) -> None:
        """Forget those that came. Costs nothing once all did."""
        if not self._never:
            return
        if ctx.revision is not None and ctx.revision == self._checked_of:
            self.pass_over((ctx.at_ns,))
            return
        if ctx.now_ns - self._checked_ns < 2 * TICK_NS:
            return
        self._checked_ns, self._checked_of = ctx.at_ns, ctx.revision
        streams = ctx.streams
        heard = streams.used & (streams.last_arrival_ns > 0)
        pairs = ctx.stream_declared[heard].astype(np.int64) << 20 | ctx.stream_sources_declared[heard]
        for pair in np.unique(pairs[pairs >= 0]).tolist():
            self._never.pop((pair >> 20, pair & 0xFFFFF), None)


def _heard_and_ended(ctx: RuleContext) -> tuple[Mask, Mask]:
    """(S,) streams of declared sources that were heard, and those of them that announced their end."""
    streams = ctx.streams
    heard = streams.used & (ctx.stream_sources_declared >= 0) & (streams.last_arrival_ns > 0)
    return heard, heard & ctx.announced & (streams.lost_ns > 0)


def describe_absent(ctx: RuleContext, key: Absent) -> Finding:
    """Describe an absent source; its rule adds the facts."""
    kind, row, name = key
    if kind == "never":
        universe, name = row, str(name)
        earlier = ctx.earlier_loss(universe, name)
        since_ns = earlier.began_ns if earlier else int(awaited_ns(ctx, [universe])[0])
        at_start = "" if earlier else say_awaited(ctx, universe)
        return Finding(
            group="never:" + name,
            since_ns=since_ns,
            universes=(universe,),
            source_names=(name,),
            networks=(int(ctx.universes.network[universe]),),
            evidence=(
                f'{ctx.universe_name(universe)}: no frame of "{name}" since {ctx.time_of_day(since_ns)}{at_start}.',
            ),
        )
    stream = row
    streams = ctx.streams
    return Finding(
        group="",
        since_ns=int(streams.last_arrival_ns[stream]),
        universes=(ctx.universe_of(stream),),
        streams=(stream,),
        networks=(int(streams.network[stream]),),
        lower=int(ctx.announced[stream]),
    )


def dead_with(ctx: RuleContext, finding: Finding) -> list[int]:
    """Rows of the declared universes that the absent source sent here and that nobody sends now."""
    table, streams = ctx.universes, ctx.streams
    rows = np.array(finding.universes, np.intp)
    if finding.streams:
        rows = np.unique(streams.universe[ctx.streams_from(ctx.source_of(finding.streams[0]))])
    found: list[int] = rows[(table.live[rows] == 0) & (table.declared[rows] >= 0)].tolist()
    return found
