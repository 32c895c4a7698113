"""When fixtures may be asked what they are: where the house allows it, outside shows, once a person confirms."""

from __future__ import annotations

from slotwatch.house.schema import House, Phase

LONGEST_S = 600.0


def may_ask_fixtures(house: House, phase: Phase, seconds: float, *, confirm: bool) -> None:
    """ValueError with the reason why they may not be asked now."""
    if not house.listen.ask_fixtures:
        raise ValueError("asking fixtures is off; set ask_fixtures = true under [listen] in the house file")
    if phase in (Phase.PRE_SHOW, Phase.SHOW):
        raise ValueError(f"fixtures are not asked in {phase}: RDM shares their line with the levels")
    if not 0 <= seconds <= LONGEST_S:
        raise ValueError(f"a window of asking lasts at most {LONGEST_S:.0f} s")
    if not confirm:
        raise ValueError("old fixtures may twitch while they are asked: confirm to continue")
