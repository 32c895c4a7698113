"""Racks and their estimated currents as the API's objects."""

from __future__ import annotations

from slotwatch.snapshot.stage import RackRow, SupplyEstimate, WayLoad
from slotwatch.views.answers.stage import RackAnswer, SupplyAnswer, WayAnswer


def rack(row: RackRow) -> RackAnswer:
    """One rack without its ways: a house may have thousands, and their counts are here."""
    return RackAnswer(
        rack=row.rack,
        universe=row.universe,
        known=row.known,
        volts=row.volts,
        ways_declared=len(row.ways),
        ways_above_zero=sum(one.level > 0 for one in row.ways),
        ways_judged=sum(one.limit_a is not None and one.estimated_a is not None for one in row.ways),
        ways_over_limit=[one.way for one in row.ways if _is_over(one)],
        supplies=[_supply(one) for one in row.supplies],
        neutral_upper_a=row.neutral_upper_a,
        neutral_limit_a=row.neutral_limit_a,
        imbalance_percent=row.imbalance_percent,
        note=row.note,
    )


def rack_detail(row: RackRow) -> RackAnswer:
    """One rack with its ways."""
    return RackAnswer(**rack(row), ways=[_way(one) for one in row.ways])


def _supply(one: SupplyEstimate) -> SupplyAnswer:
    return SupplyAnswer(
        supply=one.supply,
        estimated_a=one.estimated_a,
        worst_a=one.worst_a,
        full_a=one.full_a,
        limit_a=one.limit_a,
    )


def _way(one: WayLoad) -> WayAnswer:
    return WayAnswer(
        way=one.way,
        supply=one.supply,
        circuit=one.circuit,
        module=one.module,
        level=one.level,
        estimated_a=one.estimated_a,
        full_a=one.full_a,
        limit_a=one.limit_a,
    )


def _is_over(one: WayLoad) -> bool:
    return one.limit_a is not None and one.estimated_a is not None and one.estimated_a > one.limit_a
