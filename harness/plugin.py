"""pytest plugin: hooks, options, fixtures. Light to import: nothing numeric is loaded until a rig is asked for."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from harness.bench.multimeter import Multimeter
    from harness.bench.rig import Rig
    from harness.bench.supply import Supply
    from harness.bench.thermometer import Thermometer
    from harness.link.board import Board
    from harness.nouns.quantity import Quantity
    from harness.nouns.results import Expectation, Verdict
    from harness.run.means import Means
    from harness.run.qualification import Qualification
    from harness.run.session import BenchSession

SESSION = pytest.StashKey["BenchSession"]()
"""The session of the bench: handed over by the command, or made here from --rig."""
MEANS: pytest.StashKey[Means] = pytest.StashKey()
"""How rigs are opened here and which checks there are; a stand-in puts its own there before this is configured."""
HANDED_OVER = pytest.StashKey[bool]()
CLOSED_BENCH = pytest.StashKey[str]()
"""Why the bench could not be opened: said once, by the first test that needed it."""
ASKED: pytest.StashKey[list[tuple[str, object]]] = pytest.StashKey()
"""Properties of what the running test asked for."""
CHECKS = Path(__file__).parent / "checks"


def pytest_addoption(parser: pytest.Parser) -> None:
    """Options of the bench."""
    group = parser.getgroup("rotorgate", "motor controllers on the bench (rotorgate)")
    group.addoption(
        "--rig",
        metavar="FILE",
        help="rig file, written --rig=FILE (after a space pytest may take it for a test); it moves motors: read it",
    )
    group.addoption(
        "--rigs",
        metavar="POOL",
        help="pool file, written --rigs=POOL: lists rigs of which each process takes one; -n auto (pytest-xdist): as "
        "many processes as rigs, each of which runs all tests",
    )
    group.addoption(
        "--rig-out",
        metavar="DIR",
        help="folder for record and report (default: a new one under runs); with --rigs, one in it for each rig",
    )
    group.addoption(
        "--rig-firmware",
        metavar="PATH",
        help="put this firmware on the board first, supply off; the one from before comes back at the end",
    )
    parser.addini("rotorgate_rig", "rig file that fixtures use where --rig is not given", default="")


def pytest_configure(config: pytest.Config) -> None:
    """Refuse what would open one rig several times; nothing is opened yet."""
    config.addinivalue_line("markers", "bench: needs a rig; skipped with the reason without one")
    if config.getoption("--rig-firmware") and (config.getoption("--rigs") or rig_path(config) is None):
        raise pytest.UsageError("--rig-firmware: expected one rig to put it on: give --rig=FILE")
    if config.getoption("--rigs"):
        from harness import plugin_pool

        if plugin_pool.configure(config, SESSION, config.stash.get(MEANS, None)):
            join_shipped(config)
        stop_in_order(config)
        return
    if rig_path(config) is None or SESSION in config.stash:
        return
    workers = config.getoption("numprocesses", None)
    if workers or config.getoption("dist", "no") != "no" or hasattr(config, "workerinput"):
        raise pytest.UsageError("--rig: one rig serves one process; leave out -n (nothing was energised)")
    if config.getoption("--rig"):
        join_shipped(config)
        session_of(config)  # a rig file with problems is wrong use, said before anything is collected
    stop_in_order(config)


def join_shipped(config: pytest.Config) -> None:
    """Have the shipped checks collected, too, where no path was given."""
    if config.args_source is not pytest.Config.ArgsSource.ARGS:
        config.args.append(str(CHECKS))


def stop_in_order(config: pytest.Config) -> None:
    """Let signals end this process as an interrupt does, until everything else is unconfigured."""
    from harness.bench.safe import stop_on_signals

    stack = ExitStack()
    config.add_cleanup(stack.close)
    stack.enter_context(stop_on_signals())


@pytest.hookimpl(optionalhook=True, tryfirst=True)
def pytest_xdist_auto_num_workers(config: pytest.Config) -> int | None:
    """`-n auto` with a pool: as many processes as rigs."""
    if not config.getoption("--rigs"):
        return None
    from harness import plugin_pool

    return len(plugin_pool.pool_of(config).entries)


def pytest_unconfigure(config: pytest.Config) -> None:
    """Close what is still open, whatever way the session ended."""
    session = config.stash.get(SESSION, None)
    if session is not None and not config.stash.get(HANDED_OVER, False) and session.qualification is not None:
        session.close(whole=False)


def rig_path(config: pytest.Config) -> Path | None:
    """The rig file asked for: --rig, or the ini entry relative to the ini file."""
    given = config.getoption("--rig")
    if given:
        return Path(given)
    configured = str(config.getini("rotorgate_rig"))
    return (config.inipath.parent if config.inipath else config.rootpath) / configured if configured else None


def session_of(config: pytest.Config) -> BenchSession | None:
    """The bench session, made (not opened) at the first call; None without a rig. Raises pytest.UsageError."""
    if SESSION in config.stash or config.getoption("--rigs"):
        return config.stash.get(SESSION, None)
    path = rig_path(config)
    if path is None:
        return None
    from harness.base.errors import UsageError
    from harness.plugin_pool import urged
    from harness.run.session import BenchSession, Settings

    out, firmware = config.getoption("--rig-out"), config.getoption("--rig-firmware")
    try:
        settings = Settings(
            rig=path,
            out=Path(out) if out else None,
            firmware=Path(firmware) if firmware else None,
            restore=firmware is not None,
        )
        config.stash[SESSION] = BenchSession(settings, on_unsafe=urged(config), means=config.stash.get(MEANS, None))
    except UsageError as error:
        raise pytest.UsageError(*str(error).splitlines()) from error
    return config.stash[SESSION]


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Give the shipped checks a case for each planned quantity of each motor."""
    if metafunc.definition.path.parent != CHECKS or "quantity" not in metafunc.fixturenames:
        return
    session = session_of(metafunc.config)
    if session is None:
        # With a pool whose rigs are all in use it is an error of the fixture, not left out in silence.
        marks = [] if metafunc.config.getoption("--rigs") else [pytest.mark.skip(reason="needs a rig: give --rig=FILE")]
        metafunc.parametrize("quantity", [pytest.param("", id="no rig", marks=marks)])
        return
    from harness.plan.order import planned_quantities

    metafunc.parametrize("quantity", planned_quantities(session.spec, session.settings.only, session.means.check_named))


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    """Leave out what needs a bench that could not be opened: one error says why."""
    item.config.stash[ASKED] = []
    words = item.config.stash.get(CLOSED_BENCH, "")
    if words and "qualification" in getattr(item, "fixturenames", ()):
        pytest.skip(f"the bench could not be opened: {words}")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Put what a test asked for into its report, and SIMULATED where it used a simulated rig."""
    if call.when == "call":
        asked = item.config.stash[ASKED]
        item.user_properties += asked
    report = yield
    session = item.config.stash.get(SESSION, None)
    uses = session is not None and session.rig is not None and "qualification" in getattr(item, "fixturenames", ())
    if uses and call.when == "setup" and session.rig.simulated:  # type: ignore[union-attr]
        item.user_properties.append(("bench", "SIMULATED"))
    return report


def pytest_terminal_summary(terminalreporter: Any, config: pytest.Config) -> None:
    """Where record and report are, with the verdicts counted."""
    session = config.stash.get(SESSION, None)
    lines = session.summary().all if session is not None else ()
    if lines:
        terminalreporter.section("rotorgate")
    for line in lines:
        terminalreporter.line(line)
    if lines and session is not None and session.qualification is not None:
        from harness.base.errors import ExitCode
        from harness.report.gaps import open_lines

        if session.code is ExitCode.UNDECIDED:
            for line in open_lines(session.qualification.verdicts, session.qualification.required):
                terminalreporter.line(line)


@pytest.fixture(scope="session")
def qualification(
    request: pytest.FixtureRequest, record_testsuite_property: Callable[[str, object], None]
) -> Iterator[Qualification]:
    """The qualification on the opened rig: runs checks when they are asked for, once a session."""
    session = session_of(request.config)
    if session is None:
        if request.config.getoption("--rigs"):
            from harness import plugin_pool

            plugin_pool.raise_trouble(request.config)
        pytest.skip("needs a rig: give --rig=FILE")
    yield opened(session, request.config)
    if not request.config.stash.get(HANDED_OVER, False):
        session.close(whole=False)
        for cause in session.causes():
            record_testsuite_property("cause", cause)


@pytest.fixture(scope="session")
def rig(qualification: Qualification) -> Rig:
    """The opened rig; made safe at the end of the session whatever happens."""
    return qualification.rig


@pytest.fixture(scope="session")
def board(rig: Rig) -> Board:
    """The board under test, at its raw prompt."""
    return rig.board


@pytest.fixture(scope="session")
def supply(rig: Rig) -> Supply:
    """The programmable supply, its limits set and its output on."""
    if rig.supply is None:
        pytest.skip("this rig has no supply: add an [instrument.NAME] of class supply")
    rig.power_on()
    return rig.supply


@pytest.fixture(scope="session")
def thermometer(rig: Rig) -> Thermometer:
    """The thermometer."""
    if rig.thermometer is None:
        pytest.skip("this rig has no thermometer: add an [instrument.NAME] of class thermometer")
    return rig.thermometer


@pytest.fixture(scope="session")
def multimeter(rig: Rig) -> Callable[[str], Multimeter]:
    """`multimeter(motor)`: the one across two terminals of that motor."""

    def of(motor: str) -> Multimeter:
        known_motor(rig, motor)
        meter = rig.multimeter(motor)
        if meter is None:
            pytest.skip(f"this rig has no multimeter at {motor}: add one with across = two of its terminals")
        return meter

    return of


@pytest.fixture(scope="session")
def measured(qualification: Qualification, request: pytest.FixtureRequest) -> Callable[[str, str], Quantity]:
    """`measured(motor, "check.quantity")`: measured when first asked for, after what it needs.

    Of what it gives, `value` and `u` (standard uncertainty) are in the SI `unit`; `name` is the quantity's whole name,
    `budget` the contributions to `u` by source, `dof` its degrees of freedom.

    Skips what was not run; fails where the bench cannot tell, or the board had to be stopped on the way.
    """

    def of(motor: str, name: str) -> Quantity:
        full = asked_for(qualification, motor, name)
        from harness.checks.judged import raise_unless_good

        for verdict in qualification.reach(full):
            if verdict in qualification.stops:
                raise_unless_good(full, [verdict])
        result, verdicts_there = qualification.results[full], qualification.verdicts_of(full)
        if hasattr(result, "quantity"):
            asked = properties(verdicts_there, f"{full} ")
            request.config.stash[ASKED] += [entry for entry in asked if entry not in request.config.stash[ASKED]]
            return replace(result.quantity, name=full)
        raise_unless_good(full, verdicts_there)
        raise AssertionError(f"{full}: neither measured nor accounted for")

    return of


@pytest.fixture(scope="session")
def expectation(qualification: Qualification) -> Callable[[str, str], Expectation]:
    """`expectation(motor, "check.quantity")`: what the models predict from the rig file; skips if they cannot.

    It carries what [detect] of the rig file asks for, so that `agrees` refuses a quantity too wide to see that.
    """

    def of(motor: str, name: str) -> Expectation:
        full = asked_for(qualification, motor, name)
        expected = qualification.expected(full)
        if expected is None or expected.quantity is None:
            from harness.nouns.results import needed

            pytest.skip(f"{full}: no expectation: {needed(expected.needs if expected else ('a model',))}")
        return replace(expected, detect=qualification.rule.detect_for(full))

    return of


@pytest.fixture
def verdicts(qualification: Qualification, quantity: str, request: pytest.FixtureRequest) -> list[Verdict]:
    """The verdicts on the quantity of this case; bench trouble while it is measured is an error of the case."""
    verdicts_there = qualification.reach(quantity)
    request.node.user_properties.extend(properties(verdicts_there))
    return verdicts_there


def properties(verdicts: Sequence[Verdict], prefix: str = "") -> list[tuple[str, object]]:
    """What JUnit carries of verdicts, by name, numbers in the unit that stands beside them; uncertainties are standard.

    `prefix` goes before each name. What is of a requirement says so; what a verdict does not have is left out.
    """
    made: list[tuple[str, object]] = []
    for entry in verdicts:
        of = f"{prefix}requirement " if entry.requirement is not None and entry.limits is not None else prefix
        made.append((f"{of}verdict", entry.outcome.value))
        numbers: dict[str, float | None] = {f"{of}margin": entry.margin}
        if entry.measured is not None:
            made.append((f"{prefix}unit", entry.unit or "1"))
            numbers |= {f"{prefix}value": entry.measured.value, f"{prefix}uncertainty": entry.measured.u}
        if entry.expected is not None and entry.expected.quantity is not None:
            expected = entry.expected.quantity
            numbers |= {f"{prefix}expectation": expected.value, f"{prefix}expectation uncertainty": expected.u}
        if entry.requirement is not None:
            numbers |= {f"{of}minimum": entry.requirement.low, f"{of}maximum": entry.requirement.high}
        made += [(name, float(number)) for name, number in numbers.items() if number is not None]
        if entry.reason:
            made.append((f"{of}reason", entry.reason))
    return list(dict.fromkeys(made))


def opened(session: BenchSession, config: pytest.Config) -> Qualification:
    """The session's qualification. A bench that cannot be opened is one line, and one test's error."""
    from harness.base.errors import HarnessError
    from harness.base.words import visible

    try:
        return session.open()
    except HarnessError as error:
        words = config.stash[CLOSED_BENCH] = visible(str(error))
    pytest.fail(words, pytrace=False)


def asked_for(qualification: Qualification, motor: str, name: str) -> str:
    """As `full_name`; a name that there is not fails the test in one line, without the way to here."""
    from harness.base.errors import UsageError

    try:
        return full_name(qualification, motor, name)
    except UsageError as error:
        words = str(error)
    pytest.fail(words, pytrace=False)


def known_motor(rig: Rig, motor: str) -> None:
    """Raise UsageError for a motor that is not in the rig file."""
    if motor not in rig.motors:
        from harness.base.errors import UsageError

        raise UsageError(f"no motor {motor!r} on this rig; there are {', '.join(rig.motors)}")


def full_name(qualification: Qualification, motor: str, name: str) -> str:
    """The full name of a quantity of a motor. Raises UsageError for one that is not planned."""
    from harness.checks.catalogue import CHECKS
    from harness.nouns.names import Name

    prefix = "" if Name(name).check in {row.name for row in CHECKS if not row.per_motor} else f"{motor}."
    if prefix:
        known_motor(qualification.rig, motor)
    full = f"{prefix}{name}"
    planned = [known for entry in qualification.plan for known in entry.names]
    if full not in planned:
        import difflib

        from harness.base.errors import UsageError

        close = difflib.get_close_matches(full, planned, n=1, cutoff=0.0)
        hint = f"; the nearest is {close[0].removeprefix(prefix)!r}" if close else ""
        raise UsageError(f"no quantity {name!r}{hint}")
    return full
