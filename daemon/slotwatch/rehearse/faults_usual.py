"""Tonight against the other nights (F69): what is usual is an observation, made of shows that are described here."""

from __future__ import annotations

from collections.abc import Iterator
from uuid import UUID

from slotwatch.rehearse.cast import main_desk, paper
from slotwatch.rehearse.desk import cid_of
from slotwatch.rehearse.registry import healthy, scenario
from slotwatch.rehearse.scenario import Truth
from slotwatch.rehearse.stage import Item, mixed
from slotwatch.wire.observation import UsualFigure, UsualOfUniverse, UsualSeen

HOUSE = paper((1, 2, 3), sources=("main",))
HZ = 44.0
PAUSED_S, EACH_S = 0.068, 0.5
"""Three frames are left out, twice a second: a gap of 91 ms, which no rule about gaps minds."""


def _usual() -> UsualSeen:
    """The last 20 shows of a desk at 44 Hz."""
    rate, late = UsualFigure(44.0, 0.1, 43.7, 44.1, 20), UsualFigure(24.0, 0.4, 23.1, 25.2, 20)
    missing, pace = UsualFigure(0.0, 0.0, 0.0, 0.05, 20), UsualFigure(22.7, 0.1, 22.6, 22.9, 20)
    source = str(UUID(bytes=cid_of("Desk A")))
    return UsualSeen(
        0, tuple(UsualOfUniverse(f"e131/{number}", source, rate, late, missing, pace) for number in (1, 2, 3))
    )


@scenario(
    "F69",
    "a desk pauses for 91 ms twice a second, which it did in none of the last 20 shows",
    400,
    Truth(
        "unlike-usual",
        301.1,
        ("e131/1", "e131/2", "e131/3"),
        severity="note",
        confidence="high",
        began_s=0.0,
        says=("tonight, 23 to 25 ms in the last 20 shows",),
    ),
    HOUSE,
    live=False,
)
def worse_than_usual() -> Iterator[Item]:
    return mixed(iter([_usual()]), main_desk(hz=HZ, paused=lambda t_s: t_s % EACH_S < PAUSED_S).sends())


@healthy("a desk pauses for 91 ms twice a second, for four minutes only", 420, HOUSE, fault="F69", live=False)
def worse_than_usual_for_four_minutes() -> Iterator[Item]:
    desk = main_desk(hz=HZ, paused=lambda t_s: 60 < t_s < 300 and t_s % EACH_S < PAUSED_S)
    return mixed(iter([_usual()]), desk.sends())
