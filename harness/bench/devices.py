"""Names of devices, the same however a person spells them, and which of them mean the same on every host."""

from __future__ import annotations

import ipaddress
import os
import re
from pathlib import Path
from urllib.parse import urlsplit

NETWORK = ("socket", "rfc2217")
"""Schemes of a serial port behind a TCP port; both name one device."""
_REACHED = re.compile(r"network port \[?(?P<port>[^]]+)\]?:\d+|instrument (TCPIP|VICP)\d*::(?P<visa>[^:]+)::.*")


def board_device(unique_id: str) -> str:
    """Name of a board by its unique id (hex)."""
    return f"board {unique_id.lower()}"


def port_device(port: str) -> str:
    """Name of a serial port or URL; links such as those by id are followed to the port itself."""
    if "://" in port:
        return _network_port(port) or f"port {port}"
    return f"port {os.path.realpath(port) if Path(port).is_absolute() else port.upper()}"


def visa_device(address: str) -> str:
    """Name of a VISA address, however it is spelled (`tcpip::host::5025::socket` is `TCPIP0::...::SOCKET`)."""
    from pyvisa import rname  # loads numpy: only when an instrument is there

    try:
        canonical = rname.to_canonical_name(address)
    except rname.InvalidResourceName:
        canonical = address
    # The interface number may be left out and is then 0.
    numbered = re.sub(r"^(TCPIP|GPIB|USB|PXI|VXI)(?=::)", r"\g<1>0", canonical.upper())
    return f"instrument {numbered}"


def name_everywhere(device: str, host: str) -> str:
    """What a device is called among several hosts, one of which is `host`.

    A board, and what is reached over the network, is the same thing for all of them; a serial port, a USB or GPIB
    address and a loopback address are `host`'s own.
    """
    reached = _REACHED.fullmatch(device)
    address = (reached["port"] or reached["visa"]) if reached else ""
    everywhere = device.startswith("board ") or (address and not _is_loopback(address))
    return device if everywhere else f"{host.lower()}: {device}"


def _network_port(url: str) -> str:
    try:
        parts = urlsplit(url)
        host, number = parts.hostname, parts.port
    except ValueError:  # no number there: opening it says so
        return ""
    if parts.scheme not in NETWORK or not host or number is None:
        return ""
    return f"network port {f'[{host}]' if ':' in host else host}:{number}"


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return host.lower() == "localhost" or host.lower().endswith(".localhost")
