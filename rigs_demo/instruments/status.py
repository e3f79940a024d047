"""Status registers: standard event status and status byte (IEEE 488.2, 11), OPERation and QUEStionable (SCPI-1999)."""

from __future__ import annotations

# Bit weights of the status byte.
ERROR_QUEUE, QUESTIONABLE, MESSAGE_AVAILABLE, EVENT_SUMMARY, SERVICE_REQUEST, OPERATION = 4, 8, 16, 32, 64, 128

WIDTH_MASK = 0x7FFF  # bit 15 of a SCPI register is never used


class Register:
    """Condition, latched event, enable. An event latches when its condition appears (the STATus:PRESet filter)."""

    def __init__(self) -> None:
        self.condition = 0
        self.event = 0
        self.enable = 0

    def show(self, condition: int) -> None:
        """Set the live condition bits; those that appear latch."""
        self.event |= condition & ~self.condition
        self.condition = condition

    def take_event(self) -> int:
        """Read and clear the latched events."""
        event, self.event = self.event, 0
        return event

    @property
    def summary(self) -> bool:
        """Whether an enabled event is latched."""
        return bool(self.event & self.enable)


class Status:
    """All registers of one instrument."""

    def __init__(self) -> None:
        self.standard = Register()
        self.operation = Register()
        self.questionable = Register()
        self.service_enable = 0

    def set_event(self, bit: int) -> None:
        """Latch one bit of the standard event status register."""
        self.standard.event |= 1 << bit

    def byte(self, *, errors_waiting: bool, reply_waiting: bool) -> int:
        """The status byte as *STB? answers it; bit 6 is the master summary."""
        value = (
            ERROR_QUEUE * errors_waiting
            + QUESTIONABLE * self.questionable.summary
            + MESSAGE_AVAILABLE * reply_waiting
            + EVENT_SUMMARY * self.standard.summary
            + OPERATION * self.operation.summary
        )
        return value + SERVICE_REQUEST * bool(value & self.service_enable & ~SERVICE_REQUEST)

    def clear_events(self) -> None:
        """What *CLS does: events gone, enables kept."""
        for register in (self.standard, self.operation, self.questionable):
            register.event = 0

    def preset(self) -> None:
        """What STATus:PRESet does: the SCPI enables to zero, *ESE and *SRE untouched."""
        self.operation.enable = 0
        self.questionable.enable = 0
