"""Read ARP: which device has an IPv4 address, as it says itself. Source: RFC 826; RFC 5227 (probes)."""

from __future__ import annotations

from ipaddress import IPv4Address

ETHERTYPE = 0x0806
_ETHERNET_IPV4 = b"\x00\x01\x08\x00\x06\x04"
"""Hardware Ethernet, protocol IPv4, and the lengths of their addresses."""
_GROUP_BIT = 1


def read_arp(raw: bytes) -> tuple[str, str] | None:
    """Give the sender's (IP address, device address) of an ARP packet, without its Ethernet header.

    None: it is none, or its sender has no address yet and only asks whether it may take one.
    """
    if len(raw) < 28 or raw[:6] != _ETHERNET_IPV4 or raw[8] & _GROUP_BIT:
        return None
    mac, address = raw[8:14], raw[14:18]
    return (str(IPv4Address(address)), mac.hex(":")) if any(address) and any(mac) else None
