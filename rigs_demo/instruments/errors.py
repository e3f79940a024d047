"""SCPI errors: numbers, words, the event-status bit of each class, and the queue that holds them.

Source of the numbers and words: SCPI-1999 volume 2, chapter 21. Only those that these instruments can raise.
"""

from __future__ import annotations

from collections import deque

MESSAGES = {
    0: "No error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -110: "Command header error",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -120: "Numeric data error",
    -128: "Numeric data not allowed",
    -131: "Invalid suffix",
    -138: "Suffix not allowed",
    -141: "Invalid character data",
    -148: "Character data not allowed",
    -150: "String data error",
    -158: "String data not allowed",
    -160: "Block data error",
    -168: "Block data not allowed",
    -211: "Trigger ignored",
    -213: "Init ignored",
    -214: "Trigger deadlock",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
}

QUEUE_OVERFLOW = -350
DEPTH = 16  # arbitrary, within the usual 10 to 30
LONGEST_DETAIL = 200  # SCPI-1999 allows 255 characters for message and detail together

# IEEE 488.2, 11.5.1.1: bit numbers of the standard event status register.
OPERATION_COMPLETE, QUERY_ERROR, DEVICE_ERROR, EXECUTION_ERROR = 0, 2, 3, 4
COMMAND_ERROR, USER_REQUEST, POWER_ON = 5, 6, 7
_EVENT_BITS = {
    1: COMMAND_ERROR,
    2: EXECUTION_ERROR,
    3: DEVICE_ERROR,
    4: QUERY_ERROR,
    5: POWER_ON,
    6: USER_REQUEST,
    8: OPERATION_COMPLETE,
}


class ScpiError(Exception):
    """A program message unit could not be obeyed. `detail` says what was found, after the standard's words."""

    def __init__(self, number: int, detail: str = "") -> None:
        super().__init__(number, detail)
        self.number = number
        self.detail = detail

    @property
    def is_command_error(self) -> bool:
        """Whether the message could not be understood, so that the rest of it cannot be trusted."""
        return event_bit(self.number) == COMMAND_ERROR


def event_bit(number: int) -> int | None:
    """Bit number in the event status register that an error sets; positive numbers are the maker's own errors."""
    if number > 0:
        return DEVICE_ERROR
    return _EVENT_BITS.get(-number // 100)


class ErrorQueue:
    """First in, first out. When full, the newest entry becomes -350 and the oldest are kept."""

    def __init__(self, depth: int = DEPTH) -> None:
        self._depth = depth
        self._entries: deque[tuple[int, str]] = deque()

    def __len__(self) -> int:
        return len(self._entries)

    def add(self, error: ScpiError) -> None:
        """Append an error, or mark the overflow."""
        if len(self._entries) >= self._depth:
            self._entries[-1] = (QUEUE_OVERFLOW, "")
        else:
            self._entries.append((error.number, error.detail))

    def next(self) -> str:
        """Remove the oldest and return it as SYSTem:ERRor? words it: `-113,"Undefined header;VOLTS"`."""
        number, detail = self._entries.popleft() if self._entries else (0, "")
        shown = detail.replace('"', "'")[:LONGEST_DETAIL]
        words = MESSAGES.get(number, "Device-specific error")
        return f'{number},"{words}{";" + shown if shown else ""}"'

    def clear(self) -> None:
        """Forget all of them."""
        self._entries.clear()
