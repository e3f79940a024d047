"""What each contribution of a budget belongs to: an instrument by its serial number, an arm, a board, one run.

Budgets are keyed by source, and a difference cancels what two of them share. Within a run `instrument.supply` is
one instrument; between runs it is only if its serial number says so. Here every source gets the name of the thing
that it belongs to, so that what two records took from one thing cancels and all else adds.

| source | belongs to |
|---|---|
| `instrument.*` | maker, model and serial number of its `*IDN?`; without a serial number, to the run |
| `motor.*.load.*`, `motor.*.sensor.*`, `motor.*` | the rig, as long as its file says the same of that part |
| `local gravity` | the rig |
| `driver.*` | the board, by its unique id |
| `firmware.*` | the firmware, by the hash of the rig file's module; its dead time to the board as well |
| `supply.*`, `room.*` | the run: a battery and a room are other ones every time |
| anything else | the procedure: this release of rotorgate with these device scripts |

An arm or a sensor that is exchanged for another one of the same numbers is the one thing that cannot be seen here.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from harness.nouns import gravity
from harness.record import Record

EACH_RUN = ("supply", "room")
DEAD_TIME = "firmware.dead_time_s"
NO_SERIAL = ("", "0")
"""IEEE 488.2 has an instrument answer 0 where it does not know its serial number (from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Owners:
    """What stood on the bench when a record was made: names of things by which two records share them."""

    run: str
    place: str
    board: str
    firmware: str
    procedure: str
    instruments: Mapping[str, str]
    rig: Mapping[str, Any]
    """The rig file, as parsed."""

    def of(self, source: str) -> str:
        """The name of a source between records."""
        return self._of_a_thing(source) or f"{source} ({self.procedure})"

    def leaves_open(self, source: str) -> bool:
        """Whether a source belongs to the procedure, as what nothing on the bench accounts for does."""
        return self._of_a_thing(source) is None

    def _of_a_thing(self, source: str) -> str | None:
        """The name between records of what a thing on the bench, or the run, accounts for; None for all else."""
        key, _, rest = source.partition(" ")
        parts = key.split(".")
        if parts[0] == "instrument" and len(parts) > 1:
            owner = self.instruments.get(parts[1], f"instrument {parts[1]} of {self.run}")
            return f"{'.'.join(parts[2:])} {rest}".strip() + f" of {owner}"
        if parts[0] == "motor" and len(parts) > 2:
            return f"{source} ({self.place}, {self._section(parts)})"
        if source == gravity.SOURCE:
            return f"{source} ({self.place})"
        if parts[0] == "driver":
            return f"{source} ({self.board}, {self._section(parts)})"
        if key == DEAD_TIME:
            return f"{source} ({self.firmware}, {self.board}, {self._section(parts)})"
        if parts[0] == "firmware":
            return f"{source} ({self.firmware}, {self._section(parts)})"
        if parts[0] in EACH_RUN and len(parts) > 1:
            return f"{source} ({self.run})"
        return None

    def _section(self, parts: list[str]) -> str:
        """What the rig file says of the part that a key lies in, as a short hash."""
        section: Any = self.rig
        for part in parts[:-1]:
            section = section.get(part, {}) if isinstance(section, dict) else {}
        own = {key: value for key, value in section.items() if not _table(value)} if isinstance(section, dict) else {}
        return _hash(own)[:8]


def owners_of(record: Record) -> Owners:
    """What a record belongs to. Raises RecordError where it does not say."""
    # What is simulated is another bench for every plant that is drawn.
    bench = f" of simulated plant {record.plant_seed}" if record.simulated else ""
    return Owners(
        run=f"run {record.fingerprint[:12]}",
        place=f"rig {record.rig.name}{bench}",
        board=f"board {record.board.unique_id}{bench}",
        firmware=f"firmware {_hash(record.hashes.firmware)[:12]}{bench}",
        procedure=f"rotorgate {record.rotorgate}, scripts {_hash(record.hashes.scripts)[:8]}",
        instruments={
            name: f"instrument {number}{bench}"
            for name, entry in record.instruments.items()
            if (number := serial(entry.idn))
        },
        rig=record.sections,
    )


def exchanged(before: Record, after: Record) -> list[str]:
    """What was exchanged on the bench from one record to another, in words for people."""
    earlier, later = owners_of(before), owners_of(after)
    words = [
        word
        for word, a, b in (
            ("rig", earlier.place, later.place),
            ("board", earlier.board, later.board),
            ("firmware", earlier.firmware, later.firmware),
            ("measuring procedure", earlier.procedure, later.procedure),
        )
        if a != b
    ]
    names = sorted(set(earlier.instruments) | set(later.instruments))
    return [
        *words,
        *(f"instrument {name}" for name in names if earlier.instruments.get(name) != later.instruments.get(name)),
    ]


def serial(identity: str) -> str:
    """Maker, model and serial number of an answer to `*IDN?`; "" where there is no serial number."""
    fields = [field.strip() for field in identity.split(",")]
    return " ".join(fields[:3]) if len(fields) >= 3 and fields[2] not in NO_SERIAL else ""


def _table(value: Any) -> bool:
    """Whether a value is a section of its own rather than a number with its tolerance."""
    return isinstance(value, dict) and "value" not in value


def _hash(value: Any) -> str:
    return hashlib.sha256(json.dumps(value, sort_keys=True, default=str).encode()).hexdigest()
