"""The moment of failure: where every stream stood when an incident opened, to see what stopped together."""

from __future__ import annotations

from collections import OrderedDict

from slotwatch.durations import NANOSECONDS
from slotwatch.snapshot import Incident
from slotwatch.views.answers.faults import MomentOfFailureAnswer, StoppedStreamAnswer
from slotwatch.views.sheet import Sheet

BEFORE_NS = 2 * NANOSECONDS
STOPPED_NS = 1_100_000_000
"""An idle stream still sends at least this often (E1.31 6.6.2 wants 0.8 to 1.0 s)."""
MOST_STREAMS = 96
MOST_MOMENTS = 100
_ART_NET_IDLE_NS = 4_400_000_000
"""Art-Net senders may be silent for 4 s."""


class Moments:
    """Keeps the moment of each incident that opened while this process looked. After a restart there is none."""

    def __init__(self) -> None:
        self._held: OrderedDict[tuple[int, int], MomentOfFailureAnswer] = OrderedDict()
        self._watched: dict[tuple[int, int], list[tuple[int, int, StoppedStreamAnswer]]] = {}
        self._flaps: dict[tuple[int, int], int] = {}
        """How often an incident had returned when its moment was drawn."""
        self._first = True

    def note(self, sheet: Sheet) -> None:
        """Take a snapshot: draw the incidents that are new, and note which sources came back in the open ones."""
        is_open: set[tuple[int, int]] = set()
        for one in sheet.snapshot.incidents:
            key = _key(one)
            if one.closed_ns is None:
                is_open.add(key)
            if one.closed_ns is not None or self._first:
                continue
            if key not in self._held:
                self._draw(sheet, one, one.began_ns, one.opened_ns)
            elif one.flaps > self._flaps.get(key, 0):
                # It came again: what is drawn is this occurrence, not the first one.
                self._draw(sheet, one, _began_again_ns(sheet, one), sheet.snapshot.now_ns)
        self._first = False
        for key, stopped in list(self._watched.items()):
            lists = sheet.streams
            for index, last_ns, row in stopped:
                if index < len(lists["last_frame_ns"]) and lists["last_frame_ns"][index] > last_ns:
                    row["first_after_at"] = row["first_after_at"] or sheet.iso(lists["last_frame_ns"][index])
            if key not in is_open:
                del self._watched[key]

    def of(self, found: Incident) -> MomentOfFailureAnswer | None:
        """`{"from", "to", "streams": [{"universe", "source", "last_frame_at", "first_after_at", "stopped"}]}` or None.

        `first_after_at` is the first frame seen in a snapshot: up to 250 ms late.
        """
        return self._held.get(_key(found))

    def _draw(self, sheet: Sheet, one: Incident, began_ns: int, judged_ns: int) -> None:
        named, lists = set(one.universes), sheet.streams
        names = sheet.snapshot.universe_names
        rows = [
            (names[row] not in named, index, row, lists["source"][index], lists["last_frame_ns"][index])
            for index, row in enumerate(lists["universe_row"])
            if lists["last_frame_ns"][index] >= began_ns - 10 * BEFORE_NS
        ]
        rows.sort()
        streams, stopped = [], []
        for _, index, row, source, last_ns in rows[:MOST_STREAMS]:
            idle_ns = STOPPED_NS if names[row].startswith("e131") else _ART_NET_IDLE_NS
            has_stopped = judged_ns - last_ns > idle_ns
            drawn: StoppedStreamAnswer = {
                "universe": names[row],
                "source": sheet.source_names[source],
                "last_frame_at": sheet.iso(last_ns),
                "first_after_at": None,
                "stopped": has_stopped,
            }
            streams.append(drawn)
            if has_stopped:
                stopped.append((index, last_ns, drawn))
        key = _key(one)
        self._held[key] = {
            "from": sheet.iso(began_ns - BEFORE_NS),
            "to": sheet.iso(judged_ns),
            "streams": streams,
        }
        self._watched[key] = stopped
        self._flaps[key] = one.flaps
        while len(self._held) > MOST_MOMENTS:
            old, _ = self._held.popitem(last=False)
            self._watched.pop(old, None)
            self._flaps.pop(old, None)


def _began_again_ns(sheet: Sheet, one: Incident) -> int:
    """When this occurrence began: the first last frame of its streams that are silent now."""
    names, lists, now_ns = sheet.snapshot.universe_names, sheet.streams, sheet.snapshot.now_ns
    silent = [
        int(last_ns)
        for row, last_ns in zip(lists["universe_row"], lists["last_frame_ns"], strict=True)
        if names[row] in one.universes and now_ns - last_ns > STOPPED_NS and last_ns > one.began_ns
    ]
    return min(silent, default=one.began_ns)


def _key(one: Incident) -> tuple[int, int]:
    return one.id, one.opened_ns + one.wall_offset_ns
