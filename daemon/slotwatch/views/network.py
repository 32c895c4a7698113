"""Which switch port this listener is on, and the switches of the house, as the API's objects."""

from __future__ import annotations

from slotwatch.snapshot.switches import SwitchPortRow, SwitchRow
from slotwatch.views.answers.traffic import NetworkAnswer, SwitchAnswer, SwitchPortAnswer
from slotwatch.views.sheet import Sheet


def network(sheet: Sheet) -> NetworkAnswer:
    """Give the neighbours of this listener, and all switches with their ports."""
    return {
        "neighbours": [
            {
                "network": one.network,
                "switch": one.switch,
                "port": one.port,
                "description": one.description,
                "chassis": one.chassis,
                "management_address": one.management_address or None,
                "vlan": one.vlan,
                "last_seen_at": sheet.iso(one.last_seen_ns),
            }
            for one in sheet.snapshot.neighbours
        ],
        "switches": [_switch(sheet, one) for one in sheet.snapshot.switches],
    }


def _switch(sheet: Sheet, one: SwitchRow) -> SwitchAnswer:
    return {
        "name": one.name,
        "address": one.address,
        "answers": one.answers,
        "reason": one.reason,
        "last_answer_at": sheet.iso(one.answered_ns),
        "system_name": one.system_name,
        "up_since": sheet.iso(one.began_ns),
        "restarted_at": sheet.iso(one.restarted_ns),
        "querier": one.querier or None,
        "groups": one.groups,
        "offers": list(one.offers),
        "cut": one.cut,
        "own": one.own,
        "ports": [_port(sheet, port) for port in one.ports],
    }


def _port(sheet: Sheet, one: SwitchPortRow) -> SwitchPortAnswer:
    return {
        "port": one.name,
        "description": one.description,
        "up": one.up,
        "changed_at": sheet.iso(one.changed_ns),
        "changes": one.changes,
        "speed_mbps": one.speed_mbps,
        "half_duplex": one.half_duplex,
        "errors": one.errors,
        "discards": one.discards,
        "counted": one.counted,
        "counted_show": one.counted_show,
        "power": one.power,
        "uplink": one.uplink,
        "leads_to": one.far or None,
        "hangs": list(one.hangs),
        "devices": one.devices,
        "matters": one.matters,
    }
