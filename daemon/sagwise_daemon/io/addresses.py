"""This computer's own addresses, for a person who has to type one. Law: asks the kernel alone, and may find none."""

from __future__ import annotations

import contextlib
import fcntl
import socket
import struct

SIOCGIFADDR = 0x8915  # the interface's IPv4 address; linux/sockios.h
NAME_BYTES = 16  # IFNAMSIZ
ADDRESS_AT = 20  # struct ifreq: the name, then a sockaddr_in whose address lies behind family and port


def own_addresses() -> list[str]:
    """IPv4 addresses by which others may reach this computer, loopback left out; a Wi-Fi that is still coming up has
    none yet."""
    found = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        for _, name in socket.if_nameindex():
            with contextlib.suppress(OSError):
                asked = struct.pack("256s", name.encode()[: NAME_BYTES - 1])
                answer = fcntl.ioctl(probe.fileno(), SIOCGIFADDR, asked)
                found.append(socket.inet_ntoa(answer[ADDRESS_AT : ADDRESS_AT + 4]))
    return [address for address in found if not address.startswith("127.")]
