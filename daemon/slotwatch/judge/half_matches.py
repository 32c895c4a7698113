"""A stranger that has some of the signs by which the house file knows a source, and not all of them."""

from __future__ import annotations

from slotwatch.house.schema import DeclaredSource
from slotwatch.judge import wording
from slotwatch.judge.context import RuleContext
from slotwatch.snapshot import SourceRow
from slotwatch.wire.universe import Protocol


def half_match(ctx: RuleContext, source: int) -> tuple[DeclaredSource, str, str] | None:
    """The declared source that it is most like, the signs that it shares with it and those that differ.

    None where it shares no sign with any. Art-Net has no sign but its address.
    """
    own = ctx.sources[source]
    if own.protocol != Protocol.E131:
        return None
    compared = [(one, _signs(one, own)) for one in ctx.house.sources]
    alike = [(sum(same.values()), one, same) for one, same in compared if any(same.values())]
    if not alike:
        return None
    _, one, same = max(alike, key=lambda each: each[0])
    shared = wording.list_names(sign for sign, is_same in same.items() if is_same)
    return one, shared, wording.list_names(sign for sign, is_same in same.items() if not is_same)


def _signs(one: DeclaredSource, own: SourceRow) -> dict[str, bool]:
    """Whether a sender has each sign that the house file gives of a source."""
    given = {
        "CID": (one.cid is not None, one.cid == own.source_id),
        "address": (bool(one.addresses), own.address in one.addresses),
        "name": (bool(one.source_name), one.source_name == own.source_name),
    }
    return {sign: is_same for sign, (is_given, is_same) in given.items() if is_given}
