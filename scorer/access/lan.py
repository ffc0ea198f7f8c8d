"""Addresses of this computer that phones in the same network can reach."""

from __future__ import annotations

import socket
import struct
import sys
from ipaddress import IPv4Address, ip_address
from typing import Final
from urllib.parse import urlencode

# Addresses in the three private ranges (RFC 1918) and one of the documentation range (RFC 5737), which stands for the
# whole internet. Nothing is sent to them: choosing an interface for a datagram socket sends nothing.
_PLACES: Final = ("192.0.2.1", "192.168.255.254", "10.255.255.254", "172.31.255.254")
_DISCARD_PORT: Final = 9
_SIOCGIFADDR: Final = 0x8915
"""Linux's request for the address of an interface."""


def lan_addresses() -> tuple[str, ...]:
    """IPv4 addresses of this computer in its networks, the one of its usual way out first, without its own loopback.

    Empty where it is in no network. Addresses that only reach the next cable (RFC 3927) are left out.
    """
    found = (*_by_route(), *_by_name(), *_by_interface())
    return tuple(dict.fromkeys(address for address in found if _is_of_a_network(address)))


def address_of(host: str, port: int, token: str | None = None) -> str:
    """The address to open: of a host's name or IP address, with a token if it takes one."""
    query = f"?{urlencode({'token': token})}" if token else ""
    return f"http://{host}:{port}/{query}"


def is_loopback(name: str) -> bool:
    """Whether a host's name or IP address means this computer itself."""
    if name.lower() == "localhost":
        return True
    try:
        return ip_address(name).is_loopback
    except ValueError:
        return False


def _is_of_a_network(address: str) -> bool:
    read = IPv4Address(address)
    return not (read.is_loopback or read.is_link_local or read.is_unspecified or read.is_multicast)


def _by_route() -> list[str]:
    found = []
    for place in _PLACES:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
            try:
                asked.connect((place, _DISCARD_PORT))
            except OSError:
                continue  # no way there
            found.append(str(asked.getsockname()[0]))
    return found


def _by_name() -> list[str]:
    try:
        return socket.gethostbyname_ex(socket.gethostname())[2]
    except OSError:
        return []


def _by_interface() -> list[str]:
    if sys.platform != "linux":
        return []  # elsewhere the computer's own name has all its addresses
    import fcntl

    found = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
        for _, name in socket.if_nameindex():
            try:
                answer = fcntl.ioctl(asked, _SIOCGIFADDR, struct.pack("256s", name.encode()[:15]))
            except OSError:
                continue  # an interface without an address
            found.append(socket.inet_ntoa(answer[20:24]))
    return found
