"""A rig check as a desk plays it: each light of the patch is brought up alone, one after another."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from slotwatch.house.schema import Fixture, House
from slotwatch.rehearse.desk import ArtDesk, Desk, SentUniverse
from slotwatch.rehearse.harbour import declared_source
from slotwatch.rehearse.stage import Item, mixed
from slotwatch.wire.universe import Protocol

EACH_S = 1.0
"""A second for each light: up for the first 0.7 s, then dark."""
UP_S = 0.7
_LIGHT = ("intensity", "red", "green", "blue", "white", "amber")


def lights(house: House) -> list[Fixture]:
    """Fixtures of the patch that give light, in its order."""
    return [fixture for fixture in house.fixtures if any(role in _LIGHT for role in fixture.slots)]


def rig_walk(house: House, left_out: Iterable[str] = (), start_s: float = 2.0) -> Iterator[Item]:
    """Send the walk over all lights but those left out; hot power stays on, everything else is dark."""
    skipped = set(left_out)
    walked = [fixture for fixture in lights(house) if fixture.name not in skipped]
    turn = {fixture.name: start_s + number * EACH_S for number, fixture in enumerate(walked)}
    desk, media = declared_source(house, "main desk"), declared_source(house, "media server")
    e131 = Desk(
        desk.source_name or "main desk",
        desk.address or "127.0.0.10",
        _outputs(house, Protocol.E131, turn),
        cid=desk.cid or b"",
        port=house.listen.e131_port,
    )
    artnet = ArtDesk(
        "Media", media.address or "127.0.0.30", _outputs(house, Protocol.ARTNET, turn), port=house.listen.artnet_port
    )
    end_s = start_s + len(walked) * EACH_S + 2.0
    return mixed(e131.sends(end_s), artnet.sends(end_s))


def _outputs(house: House, protocol: Protocol, turn: dict[str, float]) -> tuple[SentUniverse, ...]:
    made = []
    for declared in house.universes:
        if declared.id.protocol is protocol:
            own = [fixture for fixture in house.fixtures if fixture.universe == declared.id]
            made.append(SentUniverse(declared.id.number, _RigWalk(own, turn)))
    return tuple(made)


class _RigWalk:
    """The look of one universe: at most one of its lights is up."""

    def __init__(self, fixtures: list[Fixture], turn: dict[str, float]) -> None:
        base = bytearray(512)
        for fixture in fixtures:
            for role, slot in zip(fixture.slots, range(fixture.address - 1, fixture.last_slot), strict=True):
                if role == "non-dim":
                    base[slot] = 255
        self._dark = bytes(base)
        self._at = {round(turn[each.name] / EACH_S): each for each in fixtures if each.name in turn}
        self._start_s = min(turn.values(), default=0.0) % EACH_S

    def __call__(self, t_s: float) -> bytes:
        second = int((t_s - self._start_s) / EACH_S + 1e-9)
        fixture = self._at.get(round((second * EACH_S + self._start_s) / EACH_S))
        if fixture is None or t_s - self._start_s - second * EACH_S >= UP_S:
            return self._dark
        frame = bytearray(self._dark)
        for role, slot in zip(fixture.slots, range(fixture.address - 1, fixture.last_slot), strict=True):
            if role in _LIGHT:
                frame[slot] = 255
        return bytes(frame)
