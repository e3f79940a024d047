"""The shipped scenarios: which rig file, which plant, which firmware lies on the board's flash."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOM = Path(__file__).parent
OWN_TIME = """\
# This bench owns the time, and ends with its first user. A rig file of your own for it must hold this section too;
# or start the bench with --wall-clock, for any number of users and rig files without it.
"""
ADDRESS = re.compile(r'"simulated:([^"/]*)(?:/([^"]*))?"')


class UnknownScenario(Exception):
    """No shipped scenario has that name."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """One shipped demo rig."""

    name: str
    text: str
    rig: Mapping[str, Any]
    firmware: Mapping[str, str]

    @classmethod
    def load(cls, name: str) -> Scenario:
        """Read it by name; never a path.

        Raises:
            UnknownScenario: there is none; the message lists those that there are.
        """
        names = sorted(path.stem for path in (ROOM / "rigs").glob("*.toml"))
        if name not in names:
            raise UnknownScenario(f"scenario: expected one of {', '.join(names)}, found {name[:80]!r}")
        text = (ROOM / "rigs" / f"{name}.toml").read_text(encoding="utf-8")
        rig = tomllib.loads(text)
        module = rig["firmware"]["module"]
        source = (ROOM / "firmware" / f"{module}.py").read_text(encoding="utf-8")
        return cls(name=name, text=text, rig=rig, firmware={f"{module}.py": source})

    def rig_file(self, port: str, instruments: Mapping[str, str], clock: str | None) -> str:
        """The rig file for one running bench: every `simulated:` address replaced, the bench's clock named."""

        def real(match: re.Match[str]) -> str:
            return f'"{port if match[2] is None else instruments[match[2]]}"'

        text = ADDRESS.sub(real, self.text)
        if clock is None:
            return text
        return f'{text}\n{OWN_TIME}[clock]\naddress = "{clock}"\n'
