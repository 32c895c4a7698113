"""Keys of what the installation has (sources, universes, fixtures, racks, routes), its exceptions and its timetable."""

from __future__ import annotations

from slotwatch.house.keys import Key, Kind, Section, choice, number, text, texts, whole, yes_no
from slotwatch.house.schema import Limits
from slotwatch.house.service_keys import PHASES, PROTOCOLS
from slotwatch.wire.universe import ON_NETWORK, Protocol, ProtocolFacts

EXCLUDED_KINDS = (
    "pyrotechnics",
    "flames",
    "lasers",
    "hoist",
    "moving-scenery",
    "emergency-lighting",
    "escape-lighting",
)


def _numbers_of(facts: ProtocolFacts) -> str:
    return f"{facts.first} to {facts.last} for {facts.word}"


def _limits_of(facts: ProtocolFacts) -> Section:
    of = f"{facts.title} universes" if facts.udp_port else f"{facts.title}s"
    keys = _limits("as in [limits]", f"{facts.loss_timeout_s:g} s")
    return Section(f"limits.{facts.word}", False, f"Thresholds of {of}.", keys)


def _limits(rate: str, silence: str) -> tuple[Key, ...]:
    """rate, silence: what holds where the key is left out."""
    slow = f"Mean rate below which a moving universe is slow; left out: {rate}."
    lost = f"Silence after which data counts as lost; left out: {silence}."
    return (
        number("min_refresh_hz", slow, None, 0.5, 44, unit="Hz"),
        number("loss_timeout_s", lost, None, 0.2, 60, unit="s"),
    )


SECTIONS: tuple[Section, ...] = (
    Section(
        "limits",
        False,
        f"Thresholds of all universes; `loss_timeout_s` is that of {Protocol.E131.facts.title} only.",
        _limits(f"{Limits().min_refresh_hz:g} Hz", f"{Protocol.E131.facts.loss_timeout_s:g} s"),
    ),
    *(_limits_of(protocol.facts) for protocol in Protocol if protocol is not Protocol.E131),
    Section(
        "sources",
        True,
        "A source. Packets belong to it if every field that is given matches.",
        (
            text("name", "Name of the source in this house.", required=True),
            Key("cid", Kind.CID, "Its E1.31 component identifier."),
            Key("address", Kind.ADDRESSES, "Its IP address, or the list of its addresses on several networks."),
            text("source_name", "The source name in its packets."),
            choice("role", "Main or backup.", "main", "main", "backup"),
            choice("standby", "A backup sends, or is silent until it takes over.", "sending", "sending", "silent"),
            whole("priority", "Priority that it should send with.", None, 0, 200),
        ),
        in_overlay=True,
    ),
    Section(
        "lines",
        True,
        "A DMX512 line to listen to.",
        (
            text("name", "Its name, as in line/NAME.", required=True),
            text("port", "Serial port, such as /dev/ttyUSB0.", required=True),
            Key("compare_with", Kind.UNIVERSE, "The universe that the line should carry."),
        ),
    ),
    Section(
        "universes",
        True,
        "A universe that this house uses.",
        (
            choice("protocol", f"{' or '.join(PROTOCOLS)}.", "", *PROTOCOLS, required=True),
            # Its range is the protocol's: `build.universe_id` says it.
            Key("number", Kind.WHOLE, f"{', '.join(_numbers_of(protocol.facts) for protocol in ON_NETWORK)}."),
            whole("net", "Art-Net net, instead of number.", None, 0, 127),
            whole("subnet", "Art-Net sub-net, instead of number.", None, 0, 15),
            whole("universe", "Art-Net universe in its sub-net, instead of number.", None, 0, 15),
            text("label", "What it is for."),
            texts("sources", "Declared sources that may send it; left out: anyone."),
            yes_no("shared", "Several sources at one priority are intended.", False),
            yes_no("expected", "false: declared, but not used in this production.", True),
            texts("networks", "Networks that it is expected on; left out: the first network."),
            *_limits("that of its protocol", "that of its protocol"),
        ),
        in_overlay=True,
    ),
    Section(
        "profiles",
        True,
        "A fixture's mode: the roles of its slots in order.",
        (
            text("name", "Name of the profile, as the patch writes it.", required=True),
            texts("slots", "Roles in order, lower-case words.", required=True),
            Key(
                "strobe_hz", Kind.NUMBERS, "Flash rate at the lowest and highest strobe level.", None, 0, 100, unit="Hz"
            ),
            number("load_w", "Nameplate load of the fixture.", None, 0, 100000, unit="W"),
        ),
        in_overlay=True,
    ),
    Section(
        "patch",
        False,
        "Which fixture has which address.",
        (
            text("file", "CSV or MVR file beside this file.", required=True),
            Key("absolute_from", Kind.UNIVERSE, "Addresses are absolute: 1 is slot 1 of this universe."),
            Key(
                "universes",
                Kind.UNIVERSE_TABLE,
                'Universe that each number in the file means, such as 1 = "e131/1".',
                {},
            ),
            Key("columns", Kind.LABELS, 'Names of columns in the file, such as fixture = "Unit no".', ()),
            texts("audience_layers", "MVR layers whose fixtures face the audience."),
        ),
        in_overlay=True,
    ),
    Section(
        "circuits",
        False,
        "Which way feeds which circuit.",
        (
            text("file", "CSV file beside this file.", required=True),
            Key("columns", Kind.LABELS, 'Names of columns in the file, such as circuit = "Dimmer no".', ()),
        ),
        in_overlay=True,
    ),
    Section(
        "racks",
        True,
        "A dimmer or relay rack.",
        (
            text("name", "Name of the rack.", required=True),
            Key("universe", Kind.UNIVERSE, "Universe that drives it.", required=True),
            whole("address", "Slot that drives way 1.", None, 1, 512, required=True),
            whole("ways", "Number of ways.", None, 1, 512, required=True),
            number("volts", "Line to neutral.", 230, 50, 300, unit="V"),
            whole("supplies", "Supply lines: 1 or 3.", 3, 1, 3),
            Key(
                "order",
                Kind.ORDER,
                "Supply line of each way: in-turn, blocks, or a list of numbers.",
                "in-turn",
            ),
            number("way_limit_a", "Limit of each way.", 10, 0.1, 1000, unit="A"),
            number("supply_limit_a", "Limit of each supply line.", None, 0.1, 10000, unit="A"),
            number("neutral_limit_a", "Limit of the neutral.", None, 0.1, 10000, unit="A"),
        ),
        in_overlay=True,
    ),
    Section(
        "receivers",
        True,
        "A device that should answer: a gateway, a node, a rack processor.",
        (
            text("name", "Name of the receiver.", required=True),
            Key("address", Kind.ADDRESS, "Its IP address.", required=True),
            Key(
                "universes",
                Kind.UNIVERSES_ON_NETWORKS,
                "Universes it receives. The outputs of an Art-Net node are compared with them where its poll replies "
                "reach this port: where nodes broadcast them, or at a mirror port.",
                (),
            ),
            choice(
                "on_loss",
                "What the device does when data stops, by its own settings.",
                "hold",
                "hold",
                "fade",
                "off",
                "preset",
            ),
        ),
        in_overlay=True,
    ),
    Section(
        "routes",
        True,
        "A universe to send on. slotwatch sends nothing that is not declared here.",
        (
            text("name", "Name of the route.", required=True),
            Key("from", Kind.UNIVERSE_ON_NETWORK, "The declared universe to send on.", required=True),
            Key("to", Kind.TARGET, "e131/112, artnet/3, or serial:/dev/ttyUSB0.", required=True),
            Key("to_address", Kind.ADDRESS, "Send to this address only."),
            text("to_network", "Network to send on; default: the first one."),
            yes_no("broadcast", "Art-Net: send to the broadcast address.", False),
            whole("priority", "E1.31 priority that it sends with.", 50, 0, 200),
            Key("slots", Kind.SLOTS, "First and last slot to send on.", (1, 512), 1, 512),
            whole("to_slot", "Slot of the output that gets the first slot.", 1, 1, 512),
            number("refresh_hz", "Rate to send at; default: the rate of the input.", None, 0.5, 830, unit="Hz"),
            choice("merge", "How to merge sources of one priority.", "highest", "highest", "latest"),
            yes_no("slot_priority", "Also send start code 0xDD.", False),
            choice("line_break", "How a serial adapter makes its break.", "control", "control", "baud"),
            number("hold_s", "Repeat the last levels this long after the input is lost.", 0, 0, 86400, unit="s"),
            choice("then", "What to do after that.", "stop", "stop", "zero", "hold"),
        ),
    ),
    Section(
        "accepted",
        True,
        "A standing exception. It always has a reason.",
        (
            text("rule", "Rule to accept.", required=True),
            text("reason", "Why.", required=True),
            Key("universes", Kind.UNIVERSES_ON_NETWORKS, "Universes that it covers; default: all.", ()),
            Key("until", Kind.DATE, "Last day of the exception."),
        ),
        in_overlay=True,
    ),
    Section(
        "quiet",
        True,
        "A time window in which rules raise notes only.",
        (
            Key("from", Kind.MOMENT, "Start, in the house's time zone by default.", required=True),
            Key("to", Kind.MOMENT, "End.", required=True),
            texts("rules", "Rules that it covers; default: all rules that a quiet window may lower."),
            text("reason", "Why."),
        ),
        in_overlay=True,
    ),
    Section(
        "timetable",
        True,
        "When the house changes its phase automatically.",
        (
            Key("days", Kind.DAYS, "mon to sun, or daily.", required=True),
            Key("at", Kind.CLOCK, "Time of day, such as 18:55.", required=True),
            choice("phase", "The phase to change to.", "", *PHASES, required=True),
        ),
    ),
    Section(
        "excluded",
        True,
        "Slots that routes never send, because people could be hurt.",
        (
            Key("universe", Kind.UNIVERSE, "Their universe.", required=True),
            whole("first", "First slot.", 1, 1, 512),
            whole("last", "Last slot.", 512, 1, 512),
            choice("kind", "What these slots control.", "", *EXCLUDED_KINDS, required=True),
        ),
        in_overlay=True,
    ),
)
