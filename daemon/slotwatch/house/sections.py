"""Every section and key of the house file, once: read by the loader, the documents and the tests."""

from __future__ import annotations

from slotwatch.house.keys import Key, Kind, Section, choice, number, text, texts, whole, yes_no
from slotwatch.house.occasions import SECTIONS as OCCASIONS
from slotwatch.house.schema import Phase
from slotwatch.house.witnesses import LISTENERS, SWITCHES

PHASES = tuple(phase.value for phase in Phase)
PROTOCOLS = ("e131", "artnet")
EXCLUDED_KINDS = (
    "pyrotechnics",
    "flames",
    "lasers",
    "hoist",
    "moving-scenery",
    "emergency-lighting",
    "escape-lighting",
)
SEVERITIES = ("note", "warning", "critical")


def _limits() -> tuple[Key, ...]:
    return (
        number("min_refresh_hz", "Mean rate below which a moving universe is slow.", None, 0.5, 44, unit="Hz"),
        number("loss_timeout_s", "Silence after which data counts as lost.", None, 0.2, 60, unit="s"),
    )


def _notice_terms() -> tuple[Key, ...]:
    return (
        choice("severity", "The lowest severity that is sent.", "critical", *SEVERITIES),
        Key("phases", Kind.CHOICES, "Phases in which a message may be sent first; left out: all.", (), choices=PHASES),
        number("after_s", "How long an incident must have lasted.", 0, 0, 86400, unit="s"),
        number(
            "repeat_min",
            "Send an open incident again after this time, until someone acknowledges it; 0: never.",
            0,
            0,
            1440,
            unit="min",
        ),
        yes_no("resolved", "Send the end of an incident too.", True),
    )


TOP = Section(
    "",
    False,
    "The file itself.",
    (
        texts("include", "Overlay files of visiting productions, beside this file."),
        Key("until", Kind.DATE, "In an overlay: its last day. After it the overlay is ignored, and a message says so."),
    ),
)

SECTIONS: tuple[Section, ...] = (
    Section(
        "house",
        False,
        "What the installation is.",
        (
            text("name", "Name of the house, shown everywhere.", "Unnamed house"),
            choice("phase", "Phase at the start; the page, the API and the timetable can change it.", "dark", *PHASES),
            Key("time_zone", Kind.TIME_ZONE, "Time zone of the timetable, such as Europe/London.", "UTC"),
        ),
    ),
    Section(
        "listen",
        False,
        "Where and how packets are received.",
        (
            texts("interfaces", "Interfaces or addresses to listen on. Loopback is used only if it is named here."),
            Key("protocols", Kind.CHOICES, "Protocols to listen to.", PROTOCOLS, choices=PROTOCOLS),
            choice("vantage", "What the switch port is: an ordinary one or a mirror.", "port", "port", "mirror"),
            choice("join", "Whether to join the groups of declared universes.", "declared", "declared", "none"),
            yes_no(
                "artnet_subscribe",
                "Answer Art-Net polls as a node, so that senders unicast to this computer too.",
                False,
            ),
            yes_no(
                "ask_fixtures", "Let a person ask fixtures what they are (RDM, read only) through Art-Net nodes.", False
            ),
            whole("e131_port", "UDP port of E1.31. Change it only for rehearsals.", 5568, 1, 65535),
            whole("artnet_port", "UDP port of Art-Net. Change it only for rehearsals.", 6454, 1, 65535),
        ),
    ),
    Section(
        "networks",
        True,
        "A name for an interface or VLAN.",
        (
            text("name", "The name, as in e131/12@NAME.", required=True),
            text("interface", "Interface name or address.", required=True),
        ),
    ),
    Section(
        "http",
        False,
        "The page and the API.",
        (
            Key("listen", Kind.HOST_PORT, "Address and port. Off loopback, changes need the token.", "127.0.0.1:8580"),
            text("token_file", "File that holds the token. If it is given, every change needs the token."),
            choice("read", "Whether reading needs the token too.", "open", "open", "token"),
            texts("hosts", "Further names of the page, besides addresses, localhost and the computer's name."),
        ),
    ),
    Section(
        "tls",
        False,
        "Certificate of the page. Give both keys or neither.",
        (
            text("certificate_file", "Certificate chain in PEM.", required=True),
            text("key_file", "Its private key in PEM.", required=True),
        ),
    ),
    Section(
        "history",
        False,
        "Where incidents and minute summaries are kept.",
        (
            text("path", "SQLite file, relative to the house file or the state directory.", "slotwatch.db"),
            whole("keep_days", "Days of history that are kept.", 30, 1, 3660, unit="days"),
        ),
    ),
    Section(
        "recorder",
        False,
        "Packets kept around an incident.",
        (
            number("seconds", "Seconds kept before an incident.", 60, 1, 600, unit="s"),
            whole("memory_mib", "Memory that these packets may take.", 64, 1, 4096, unit="MiB"),
            text("directory", "Where packets are written, relative to the state directory.", "packets"),
            whole("disk_mib", "Disk space that they may take; the oldest go first.", 512, 1, 1048576, unit="MiB"),
        ),
    ),
    Section(
        "alerts",
        False,
        "Alerts to an Alertmanager.",
        (
            Key("alertmanager_urls", Kind.URLS, "Base URLs of Alertmanagers; each gets every alert.", ()),
            choice("minimum_severity", "Lowest severity that is sent.", "warning", *SEVERITIES),
            Key("labels", Kind.LABELS, "Labels added to every alert.", ()),
        ),
    ),
    Section(
        "mqtt",
        False,
        "State and incidents to an MQTT broker.",
        (
            text("host", "Address of the broker; without it MQTT is not used.", required=True),
            whole("port", "Its port.", 1883, 1, 65535),
            text("topic", "Topic under which everything is published.", "slotwatch"),
            text("username", "User name at the broker."),
            text("password_file", "File that holds the password."),
            yes_no("tls", "Use TLS to the broker.", False),
        ),
    ),
    Section(
        "notify",
        True,
        "A person who gets a message about an incident: mail, push, chat.",
        (
            text("name", "Name of this recipient.", required=True),
            text("url_file", "Secret file that holds its Apprise address.", required=True),
            *_notice_terms(),
        ),
    ),
    Section(
        "webhooks",
        True,
        "A program that gets signed messages about incidents.",
        (
            text("name", "Name of this recipient.", required=True),
            Key("url", Kind.URL, "Where messages are posted.", required=True),
            text("secret_file", "File that holds the key of the signature (HMAC-SHA256).", required=True),
            *_notice_terms(),
        ),
    ),
    Section(
        "heartbeat",
        False,
        "A request at regular intervals, so that its absence is an alarm elsewhere.",
        (
            text("url_file", "Secret file that holds the address (http or https).", required=True),
            number("every_min", "Minutes between two requests.", 5, 0.1, 1440, unit="min"),
        ),
    ),
    LISTENERS,
    SWITCHES,
    Section("limits", False, "Thresholds of all universes.", _limits()),
    Section("limits.artnet", False, "Thresholds of Art-Net universes (loss after 10 s by default).", _limits()),
    Section("limits.line", False, "Thresholds of DMX512 lines (loss after 1 s by default).", _limits()),
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
            choice("protocol", "e131 or artnet.", "", *PROTOCOLS, required=True),
            # Its range is the protocol's: `build.universe_id` says it.
            Key("number", Kind.WHOLE, "1 to 63999 for e131, 0 to 32767 for artnet."),
            whole("net", "Art-Net net, instead of number.", None, 0, 127),
            whole("subnet", "Art-Net sub-net, instead of number.", None, 0, 15),
            whole("universe", "Art-Net universe in its sub-net, instead of number.", None, 0, 15),
            text("label", "What it is for."),
            texts("sources", "Declared sources that may send it; left out: anyone."),
            yes_no("shared", "Several sources at one priority are intended.", False),
            yes_no("expected", "false: declared, but not used in this production.", True),
            texts("networks", "Networks that it is expected on; left out: the first network."),
            *_limits(),
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
            Key("universes", Kind.UNIVERSE_TABLE, "Universe on the network of each number in the patch file.", {}),
            Key("columns", Kind.LABELS, "Columns with other names in the file: our name = name in the file.", ()),
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
            Key("columns", Kind.LABELS, "Columns with other names in the file: our name = name in the file.", ()),
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
            Key("universes", Kind.UNIVERSES_ON_NETWORKS, "Universes it receives.", ()),
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
    *OCCASIONS,
)

BY_NAME = {section.name: section for section in (TOP, *SECTIONS)}
