"""Another listener as a small program: what it would answer, made of the same senders and what it misses of them."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from uuid import UUID

import msgspec

from slotwatch.house.witnesses import DeclaredListener
from slotwatch.wire.observation import ListenerSeen, StreamElsewhere
from tests.judge.stage import START_NS, Desk, S

STAGE_END = DeclaredListener("stage end", "http://10.20.0.6:8580", own_name="FOH")
Heard = Callable[[float], bool]


def always(t: float) -> bool:
    return True


class Ear:
    """Hears a desk's frames, asked once a second."""

    def __init__(
        self,
        *desks: Desk,
        heard: Callable[[int, int, float], bool] = lambda universe, index, t: True,
        judged: Heard = always,
        reached: Heard = always,
        from_s: float = 0.0,
        skew_s: float = 0.0,
        every_s: float = 1.0,
        network: str = "eth1",
    ) -> None:
        self.desks, self.heard, self.judged, self.reached = desks, heard, judged, reached
        self.from_s, self.skew_s, self.every_s, self.network = from_s, skew_s, every_s, network

    def until(self, end_s: float) -> list[tuple[float, ListenerSeen]]:
        """Its answers, each with the moment at which it is handed over: 30 ms after it was asked."""
        asked = [n * self.every_s + 0.37 for n in range(int(end_s / self.every_s))]
        return [(t + 0.03, self.answer(t)) for t in asked if t >= self.from_s]

    def answer(self, t_s: float) -> ListenerSeen:
        t_ns = START_NS + round(t_s * S)
        if not self.reached(t_s):
            return ListenerSeen(t_ns, "stage end", False, "no answer within 2 s")
        found = [
            (desk.priority, one)
            for desk in self.desks
            for universe in desk.universes
            if (one := self._stream(desk, universe, t_s)) is not None
        ]
        # The highest priority wins (E1.31 6.2.3).
        best: dict[str, int] = {}
        for priority, one in found:
            best[one.universe] = max(best.get(one.universe, 0), priority if one.state == "live" else 0)
        streams = [
            msgspec.structs.replace(one, wins=one.state == "live" and priority == best[one.universe])
            for priority, one in found
        ]
        return ListenerSeen(t_ns, "stage end", True, "", tuple(streams))

    def _stream(self, desk: Desk, universe: int, t_s: float) -> StreamElsewhere | None:
        sent = [
            (index, desk.from_s + index / desk.hz)
            for index in range(max(0, int((min(t_s - self.skew_s, desk.to_s) - desk.from_s) * desk.hz) + 1))
        ]
        due = [(index, t) for index, t in sent if t >= self.from_s]
        arrive = [(index, t) for index, t in due if not desk.drop(universe, index, t)]
        came = [(index, t) for index, t in arrive if self.heard(universe, index, t)]
        if not came:
            return None
        last_index, last_s = came[-1]
        first, last = (desk.sequence_of(universe, index) for index in (came[0][0], last_index))
        missing = last - first + 1 - len(came)
        age_s = t_s - last_s - self.skew_s
        return StreamElsewhere(
            f"e131/{universe}",
            self.network,
            str(UUID(bytes=desk.cid)),
            last % 256,
            len(came),
            missing,
            round(age_s * S),
            "live" if age_s < 2.5 else "silent",
            self.judged(t_s),
            desk.name,
            interval_max_ms=max((1000 * (b - a) for (_, a), (_, b) in pairwise(came[-513:])), default=None),
        )
