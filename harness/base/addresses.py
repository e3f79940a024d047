"""Addresses that a library interprets, by the forms that are allowed.

A library does with an address what its forms say: one of pyserial's opens a file for writing, and a VISA library hands
a serial instrument's name to pyserial. So each form that this program needs is stated here, and any other is refused,
whatever it might mean to whom.
"""

from __future__ import annotations

import re

from harness.base.words import OLDER_WORD

HIGHEST_PORT = 65535
HOST = r"(?:[A-Za-z0-9](?:[A-Za-z0-9._-]*[A-Za-z0-9])?|\[[0-9A-Fa-f:.]+\])"
"""A name, an IPv4 address, or an IPv6 address in brackets."""
NUMBER = r"[1-9][0-9]{0,4}"
DEVICE = r"(?:/[!-.0->@-~]+)+"
"""An absolute path of printable ASCII without spaces, `?` and `//`."""

_SIMULATED = re.compile(rf"(?:simulated|{OLDER_WORD}):[!-~]*")
"""What follows the scheme is looked at where all addresses of a rig file are."""
PORT_FORMS = "a serial port (/dev/..., COM3), socket://HOST:PORT, rfc2217://HOST:PORT, usb:SERIAL or simulated:SCENARIO"
_DEVICE_PORT = re.compile(rf"{DEVICE}|COM[1-9][0-9]{{0,2}}", re.IGNORECASE)
_OPTION = r"(?:ign_set_control|timeout=[0-9]{1,3})"
"""A port server may not answer what it is asked to set, or be far away (a time in seconds)."""
_NETWORK_PORT = re.compile(
    rf"socket://{HOST}:(?P<socket>{NUMBER})"
    rf"|rfc2217://{HOST}:(?P<rfc2217>{NUMBER})(?:\?{_OPTION}(?:&{_OPTION})?)?"
)
_USB_PORT = re.compile(r"usb:[!-.0-~]{1,126}")
"""A USB string descriptor holds 126 characters (USB 2.0, 9.6.7); it is only compared."""

INSTRUMENT_FORMS = (
    "a VISA address (TCPIP::HOST::PORT::SOCKET, TCPIP::HOST::INSTR, USB::VENDOR::PRODUCT::SERIAL::INSTR, "
    "GPIB::NUMBER::INSTR, ASRL/dev/...::INSTR) or simulated:SCENARIO/INSTRUMENT"
)
_USB_NUMBER = r"(?:0x[0-9A-F]{1,4}|[0-9]{1,5})"
_INSTRUMENT = re.compile(
    "|".join(
        (
            rf"TCPIP[0-9]{{0,2}}::{HOST}::(?P<socket>{NUMBER})::SOCKET",
            rf"TCPIP[0-9]{{0,2}}::{HOST}(?:::[A-Z]+[0-9]{{0,2}}(?:,[0-9]{{1,5}}){{0,2}})?(?:::INSTR)?",
            rf"VICP::{HOST}(?:::INSTR)?",
            rf"USB[0-9]{{0,2}}::{_USB_NUMBER}::{_USB_NUMBER}::[!-9;-~]{{1,126}}(?:::[0-9]{{1,2}})?(?:::INSTR)?",
            r"GPIB[0-9]{0,2}::[0-9]{1,2}(?:::[0-9]{1,2})?(?:::INSTR)?",
            rf"ASRL(?:[0-9]{{1,3}}|COM[0-9]{{1,3}}|{DEVICE})::INSTR",
        )
    ),
    re.IGNORECASE,
)
CLOCK_FORM = "HOST:PORT"
_CLOCK = re.compile(rf"{HOST}:(?P<socket>{NUMBER})")


def is_board_port(address: str) -> bool:
    """Whether a board may be looked for there."""
    return any(_allowed(form, address) for form in (_DEVICE_PORT, _NETWORK_PORT, _USB_PORT, _SIMULATED))


def is_instrument_address(address: str) -> bool:
    """Whether an instrument may be looked for there."""
    return _allowed(_INSTRUMENT, address) or _allowed(_SIMULATED, address)


def is_clock_address(address: str) -> bool:
    """Whether a bench that owns the time may be looked for there."""
    return _allowed(_CLOCK, address)


def _allowed(form: re.Pattern[str], address: str) -> bool:
    match = form.fullmatch(address)
    return match is not None and all(int(port) <= HIGHEST_PORT for port in match.groups() if port is not None)
