"""`rotorgate inspect`: what is there and whether it is what the rig file says. Nothing is switched or energised.

Instruments are only queried. The firmware is imported where the supply is proven off, its pins are off afterwards.
"""

from __future__ import annotations

import argparse
import json
import os
import queue
import threading
import warnings
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, nullcontext, suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from harness.base.disk import unwritten
from harness.base.errors import BoardBusy, DeviceError, ExitCode, FirmwareFault, HarnessError, UsageError
from harness.base.words import visible
from harness.nouns.standing import Standing
from harness.report.marks import MARKS

if TYPE_CHECKING:
    from harness.bench.opening import Doors
    from harness.link.board import Board
    from harness.rigfile import RigSpec

LIST_S = 4.0
"""Wall time for listing; the rest of the promised 5 s is for starting and printing."""


@dataclass(slots=True)
class Inspection:
    """Lines to show, and the worst that was found."""

    lines: list[str] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    code: ExitCode = ExitCode.AGREES

    def good(self, line: str) -> None:
        """Something answers and is what it should be."""
        self._add(Standing.GOOD, line)

    def note(self, line: str) -> None:
        """Something to know."""
        self._add(Standing.UNJUDGED, line)

    def bad(self, line: str, code: ExitCode = ExitCode.BENCH) -> None:
        """Something is not as it should be."""
        self._add(Standing.BAD, line)
        self.problems.append(line)
        self.code = ExitCode.first_of((self.code, code))

    def _add(self, standing: Standing, line: str) -> None:
        self.lines.append(f"{MARKS[standing].letters}  {line}")

    @contextmanager
    def catching(self, what: str) -> Iterator[None]:
        """Turn one thing's trouble into a line, and go on with the next."""
        try:
            yield
        except HarnessError as error:
            self.bad(f"{what}: {error}", error.exit_code)


def inspect(arguments: argparse.Namespace) -> int:
    """Look, and say what was found."""
    from harness.show.terminal import Terminal

    terminal = Terminal(quiet=arguments.quiet, json=arguments.json)
    if arguments.new:
        write_template(Path(arguments.new))
        findings = Inspection(lines=[f"wrote {arguments.new}: fill it in, then `rotorgate inspect {arguments.new}`"])
    elif arguments.firmware and not arguments.rig:
        raise UsageError("--firmware: expected a rig file, whose board it is put on")
    elif arguments.rig:
        findings = inspect_rig(
            Path(arguments.rig),
            interrupt=arguments.interrupt,
            firmware=Path(arguments.firmware) if arguments.firmware else None,
        )
    else:
        findings = list_devices()
    if arguments.json:
        terminal.result(
            json.dumps({"exit_code": int(findings.code), "lines": findings.lines, "problems": findings.problems})
        )
    else:
        for line in findings.problems if arguments.quiet else findings.lines:
            terminal.result(line)
    return findings.code


def write_template(path: Path) -> None:
    """Write the commented rig file. Raises UsageError rather than overwrite one."""
    from harness.rigfile.template import template

    text = template()
    try:
        with path.open("x", encoding="utf-8") as stream, _gone_unless_whole(path):
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
    except FileExistsError as error:
        raise UsageError(f"--new {visible(str(path))}: is there already; nothing was written") from error
    except OSError as error:
        raise unwritten(UsageError, f"--new {visible(str(path))}: cannot write", error) from error


@contextmanager
def _gone_unless_whole(path: Path) -> Iterator[None]:
    """A file that could not be written is gone: an empty one would stand in the way of the next try."""
    try:
        yield
    except BaseException:
        with suppress(OSError):
            path.unlink()
        raise


def list_devices() -> Inspection:
    """Serial ports with their USB serial numbers, and VISA addresses, within five seconds; backups of firmware."""
    from serial.tools import list_ports

    from harness.bench.backups import kept_backups

    findings = Inspection()
    ports = sorted(list_ports.comports(), key=lambda port: str(port.device))
    for port in ports:
        serial = f", usb:{port.serial_number}" if port.serial_number else ""
        words = "no description" if port.description in (None, "", "n/a") else port.description
        findings.note(f"serial port {port.device}: {words}{serial}")
    if not ports:
        findings.note("no serial port")
    answers: queue.Queue[list[str] | str] = queue.Queue()
    threading.Thread(target=_list_visa, args=(answers,), daemon=True).start()
    try:
        addresses = answers.get(timeout=LIST_S)
    except queue.Empty:
        addresses = f"the search for VISA instruments was not over within {LIST_S:g} s"
    if isinstance(addresses, str):
        findings.note(addresses)
    else:
        for address in addresses:
            if address.upper().startswith("ASRL"):
                continue  # a serial port, told above
            findings.note(f"instrument {address}")
        if all(address.upper().startswith("ASRL") for address in addresses):
            findings.note(
                "no VISA instrument found; one on a plain socket does not announce itself: TCPIP0::HOST::PORT::SOCKET"
            )
    for kept in kept_backups():
        findings.note(f"firmware from before, left by a killed run or held by one that is under way: {kept.line}")
    return findings


def _list_visa(answers: queue.Queue[list[str] | str]) -> None:
    try:
        import pyvisa

        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # about network searches that need other packages
            manager = pyvisa.ResourceManager("@py")
            answers.put(sorted(manager.list_resources("?*::INSTR")))
    except Exception as error:  # whatever a backend raises: the listing says so and goes on
        answers.put(f"VISA instruments cannot be listed: {error}")


def inspect_rig(path: Path, *, interrupt: bool, firmware: Path | None = None) -> Inspection:
    """Open everything that a rig file names, one after the other; each one's trouble is a line."""
    from harness.rigfile import load

    return inspect_spec(load(path), interrupt=interrupt, firmware=firmware)


def inspect_spec(
    spec: RigSpec, *, interrupt: bool, firmware: Path | None = None, doors: Doors | None = None
) -> Inspection:
    """The same of a rig file that is read. `doors`: by what it is opened; a stand-in brings its own."""
    from harness.base.clock import BenchClock
    from harness.bench import opening as bench
    from harness.bench.exchange import firmware_files
    from harness.bench.supply import Supply
    from harness.rigfile.arm import heavy_arms

    findings, doors = Inspection(), doors or bench.DOORS
    if firmware is not None:
        firmware_files(firmware, spec)  # wrong use is said before anything is opened
    findings.good(f"{spec.file}: rig {spec.rig.name}, motors {', '.join(spec.motors)}")
    for arm in heavy_arms(spec):
        line = f"{spec.file}: {arm.words}"
        if arm.slip:
            findings.bad(line, ExitCode.USAGE)
        else:
            findings.note(line)
    with ExitStack() as stack:
        spec = stack.enter_context(doors.addressed(spec, seed=0))
        stack.enter_context(doors.locks()).hold(bench.devices_of(spec))
        clock = bench.open_clock(spec)
        if isinstance(clock, BenchClock):
            stack.callback(clock.close)
        powered = (
            "its supply was not asked" if spec.instruments_of("supply") else "nothing here can switch its power off"
        )
        for name, entry in spec.instrument.items():
            with findings.catching(f"instrument.{name}"):
                instrument = doors.instrument(name, entry, clock)
                stack.callback(instrument.close)
                findings.good(f"instrument.{name}: {instrument.identity}")
                for queued in instrument.session.found_errors:
                    findings.note(f"instrument.{name}: stood in its error queue: {queued}")
                if isinstance(instrument, Supply):
                    powered = f"the output of {name} is on" if instrument.output_enabled() else ""
                    if powered:
                        findings.note(f"instrument.{name}: its output is ON; nothing was switched")
        with findings.catching("board"):
            open_board = partial(doors.board, spec, clock, interrupt=interrupt)
            _inspect_board(spec, open_board, findings, interrupt=interrupt, powered=powered, firmware=firmware)
    return findings


def _inspect_board(
    spec: RigSpec,
    open_board: Callable[..., Board],
    findings: Inspection,
    *,
    interrupt: bool,
    powered: str,
    firmware: Path | None,
) -> None:
    """`open_board` lacks but what makes it safe; `powered`: why the bridges may have power; then the firmware, which
    may use it, runs for `interrupt` only.

    `firmware`: asked in place of the one on the board, which is put back.
    """
    from harness.bench import source
    from harness.bench.asking import ask_firmware
    from harness.bench.backups import left_behind
    from harness.bench.exchange import on_trial
    from harness.bench.opening import check_board
    from harness.checks.catalogue import needed_by
    from harness.checks.states.stimulus import contradictions
    from harness.nouns.contract import missing_parts, parse_declared

    safe = source.make_safe(spec)
    try:
        board = open_board(make_safe_source=safe if interrupt else "")
    except BoardBusy as error:
        raise BoardBusy(f"{error}; --interrupt stops it, phases off first", error.received) from error
    with board:
        identity = board.identity()
        check_board(spec, identity)
        simulated = ", SIMULATED" if identity.simulated else ""
        findings.good(
            f"board at {spec.board.port}: {identity.machine}, {identity.implementation} {identity.version}, "
            f"unique id {identity.unique_id or 'none'}{simulated}"
        )
        if left := left_behind(identity, spec):
            findings.note(left)
        if powered and not interrupt:
            findings.note(
                f"firmware {spec.firmware.module}: not asked, because {powered} and importing it may energise a motor; "
                "--interrupt asks it, phases off before and after"
            )
            return
        board.make_safe_source = safe
        with nullcontext() if firmware is None else on_trial(board, spec, identity, firmware):
            try:
                names, answers = ask_firmware(board, spec)
            except (DeviceError, FirmwareFault) as error:
                findings.bad(str(error), error.exit_code)
                return
            finally:
                with findings.catching("board"):  # and hide no error that is on its way
                    board.soft_reset()  # ends timers that the import may have started
                    board.execute_checked(safe)
        pace = "own"
        for motor, answer in answers.items():
            with findings.catching(f"firmware {spec.firmware.module}"):
                declared = parse_declared(motor, answer)
                pace = declared.pace
                findings.good(
                    f"firmware {declared.name} {declared.version}, {motor}: paced {declared.pace}, "
                    f"{declared.loop_period_s * 1e3:g} ms, sensor by {declared.sensor_path}"
                )
                for line in contradictions(spec, motor, declared):
                    findings.bad(line, ExitCode.DIFFERS)
        for part in missing_parts(names, pace):
            checks = needed_by(part.name)
            costs = f"; without it not run: {', '.join(checks)}" if checks else " (optional)"
            findings.note(f"firmware lacks {part.call}: {part.meaning}{costs}")
