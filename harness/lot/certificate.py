"""The certificate of one board of a lot, filled from its records."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from markupsafe import escape

from harness.base.disk import read_bytes, unwritten, write_text
from harness.base.errors import ExitCode, UsageError
from harness.base.words import file_stem, visible
from harness.checks.catalogue import CHECK_NAMES
from harness.compare.reference import surroundings
from harness.lot.gathered import Lot, LotRun
from harness.lot.quantities import LotQuantity
from harness.lot.reference import BoardDifference, ReferenceComparison
from harness.nouns.coverage import half_width
from harness.nouns.names import Name
from harness.nouns.quantity import Quantity
from harness.nouns.results import REQUIRED, Outcome, VerdictKind
from harness.nouns.standing import Standing, overall
from harness.record.entries import RiskEntry
from harness.report.certificate import Certificate, CertificateLine, Facts, certificate_page
from harness.report.marks import CLAIMS
from harness.report.numbers import limits_in_words, with_uncertainty
from harness.report.titles import described

WORST_FIRST = (Outcome.DIFFERS, Outcome.CANNOT_TELL, Outcome.AGREES, Outcome.NOT_JUDGED, Outcome.NOT_RUN)


def write_certificates(
    lot: Lot,
    quantities: Sequence[LotQuantity],
    folder: Path,
    made_utc: str,
    reference: ReferenceComparison | None = None,
) -> list[Path]:
    """Write `certificate-ID.html` for each board.

    Raises UsageError where the folder cannot be written, or holds a page of another lot under one of these names.
    """
    paths = []
    places = {board: folder / f"certificate-{file_stem(board)}.html" for board in lot.boards}
    if len({path.name.casefold() for path in places.values()}) < len(places):
        raise UsageError("--out: boards whose names differ in capitals alone would share a page where files do not")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for board, path in places.items():
            if path.exists() and _title(board, lot.name) not in read_bytes(path).decode("utf-8", "replace"):
                raise UsageError(
                    f"{visible(str(path))}: is there, and no page of board {visible(board)} of lot "
                    f"{visible(lot.name)}; choose another folder with --out"
                )
        for board, path in places.items():
            page = certificate_page(certificate(lot, board, quantities, made_utc, reference))
            write_text(path, page)
            paths.append(path)
    except OSError as error:
        raise unwritten(UsageError, f"--out {visible(str(folder))}: cannot write", error) from error
    return paths


def _title(board: str, lot: str) -> str:
    return f"board {escape(visible(board))}, lot {escape(visible(lot))}</p>"


def certificate(
    lot: Lot, board: str, quantities: Sequence[LotQuantity], made_utc: str, reference: ReferenceComparison | None = None
) -> Certificate:
    """What the page of one board says."""
    runs = lot.boards[board]
    newest = runs[-1].record
    outcomes = _said(runs)
    differences = () if reference is None else reference.by_board.get(board, ())
    beside = {difference.found.name: difference for difference in differences}
    required = _required(quantities, board, beside)
    lines = [*required, *_modelled(quantities, board, outcomes, beside)]
    claim = _claim(runs, required)
    words = {
        "accepted": f"Board {board} conforms in all that was measured and judged",
        "refused": f"Board {board} does not conform",
        "open": f"No decision on board {board}",
    }
    return Certificate(
        board=board,
        lot=lot.name,
        rig=lot.rig,
        simulated=lot.simulated,
        verdict=words[claim],
        claim=claim,
        identity=_identity(lot, runs),
        bench=_bench(lot, runs),
        runs=[_run_cells(run) for run in runs],
        lines=lines,
        left_out=_left_out(runs),
        rule=_rule(newest.risk, reference),
        limits=_limits(lot),
        reference="" if reference is None else reference.board,
        made_utc=made_utc,
        rotorgate=", ".join(dict.fromkeys(run.record.rotorgate for run in runs)),
    )


def _said(runs: Sequence[LotRun]) -> Mapping[str, list[Outcome]]:
    """What each run said of a quantity against its model, by name."""
    outcomes: dict[str, list[Outcome]] = {}
    for run in runs:
        for verdict in run.record.verdicts:
            if verdict.outcome not in REQUIRED or verdict.kind is not VerdictKind.QUANTITY:
                outcomes.setdefault(verdict.name, []).append(verdict.outcome)
    return outcomes


def _claim(runs: Sequence[LotRun], required: Sequence[CertificateLine]) -> str:
    """`refused` where a mean misses its requirement or any run found something; `accepted` where all is decided."""
    judged = [verdict.outcome.standing for run in runs for verdict in run.record.verdicts]
    standings = [line.outcome.standing for line in required]
    standings += [standing for standing in judged if standing is Standing.BAD]
    whole = all(run.record.exit_code is ExitCode.AGREES for run in runs)
    return CLAIMS[overall(standings if whole else [*standings, Standing.OPEN])]


def _required(
    quantities: Iterable[LotQuantity], board: str, beside: Mapping[str, BoardDifference]
) -> list[CertificateLine]:
    """Lines of the quantities that have a requirement."""
    lines = []
    for quantity in quantities:
        value = quantity.boards.get(board)
        if value is not None and value.verdict is not None and quantity.requirement is not None:
            required = limits_in_words(quantity.requirement.low, quantity.requirement.high, quantity.unit)
            outcome = value.verdict.outcome
            lines.append(_line(quantity, value.mean, value.runs, required, outcome.value, outcome, beside))
    return lines


def _modelled(
    quantities: Iterable[LotQuantity],
    board: str,
    words_of_runs: Mapping[str, Sequence[Outcome]],
    beside: Mapping[str, BoardDifference],
) -> list[CertificateLine]:
    """Lines of all quantities, with what the runs said of the model."""
    lines = []
    for quantity in quantities:
        value, outcomes = quantity.boards.get(board), words_of_runs.get(quantity.name, ())
        if value is None or not outcomes:
            continue
        outcome = next(word for word in WORST_FIRST if word in outcomes)
        count = outcomes.count(outcome)
        word = outcome.value if outcome is Outcome.NOT_JUDGED else f"{outcome.value} in {count} of {len(outcomes)}"
        lines.append(_line(quantity, value.mean, value.runs, "model of the rig", word, outcome, beside))
    return lines


def _line(
    quantity: LotQuantity,
    mean: Quantity,
    runs: int,
    required: str,
    word: str,
    outcome: Outcome,
    beside: Mapping[str, BoardDifference],
) -> CertificateLine:
    half = half_width(mean)
    return CertificateLine(
        name=quantity.name.replace(".", " · ").replace("_", " "),
        words=described(quantity.name),
        value=with_uncertainty(mean.value, half, quantity.unit),
        factor=f"{half / mean.u:.2f}" if mean.u else "–",
        runs=str(runs),
        required=required,
        word=word,
        outcome=outcome,
        apart=_apart(beside.get(quantity.name), quantity.unit),
    )


def _apart(difference: BoardDifference | None, unit: str) -> str:
    if difference is None:
        return ""
    if difference.apart is None:
        return difference.found.finding.value
    half = half_width(difference.apart)
    return f"{with_uncertainty(difference.apart.value, half, unit)}: {difference.found.finding.value}"


def _identity(lot: Lot, runs: Sequence[LotRun]) -> Facts:
    records = [run.record for run in runs]
    board = records[-1].board
    declared = {
        f"Firmware, {motor}": f"{firmware.name} {firmware.version}".strip()
        for record in records
        for motor, firmware in record.declared.items()
    }
    return [
        ("Board", runs[-1].board),
        ("Unique id", runs[-1].unique_id or "the board says none"),
        ("Lot", lot.name),
        ("Machine", board.machine),
        ("Interpreter", f"{board.implementation} {board.version}".strip()),
        *declared.items(),
        ("Firmware, SHA-256", _each(record.hashes.firmware or "not known" for record in records)),
    ]


def _bench(lot: Lot, runs: Sequence[LotRun]) -> Facts:
    records = [run.record for run in runs]
    facts = [
        ("Rig", f"{lot.rig}{lot.kind}"),
        ("Description", records[-1].rig.description),
        ("Rig file, SHA-256", _each(record.rig.sha256 for record in records)),
        *((f"Reference motor {motor}", _motor(lot, motor)) for motor in lot.spec.motors),
        ("Room", _rooms(runs)),
        ("Procedure", _each(f"rotorgate {record.rotorgate}" for record in records)),
    ]
    for name, entry in records[-1].instruments.items():
        facts.append((f"{name} ({entry.class_})", entry.idn))
    if lot.simulated:
        facts.append(("Simulated plant", _each(_seeded("plant", record.plant_seed) for record in records)))
        facts.append(("Simulated board", _each(_seeded("board", record.board_seed) for record in records)))
    return facts


def _seeded(what: str, seed: object) -> str:
    return "as the plant file says" if seed is None else f"{what} seed {seed}"


def _motor(lot: Lot, motor: str) -> str:
    entry = lot.spec.motor[motor]
    load = entry.load
    known = f"{entry.pole_pairs} pole pairs"
    if load is None:
        return f"{known}, no known load"
    torque = [
        f"{part.value:g} {unit}" for part, unit in ((load.mass_kg, "kg"), (load.length_m, "m")) if part is not None
    ]
    return f"{known}, {str(load.kind).replace('_', ' ')}{' of ' if torque else ''}{' at '.join(torque)}"


def _rooms(runs: Sequence[LotRun]) -> str:
    rooms = [surroundings(run.record).room_c[""].value for run in runs]
    low, high = min(rooms), max(rooms)
    return f"{low:.1f} °C" if f"{low:.1f}" == f"{high:.1f}" else f"{low:.1f} to {high:.1f} °C"


def _run_cells(run: LotRun) -> tuple[str, ...]:
    number, of = run.repeat
    return str(run.number), run.started, f"{number} of {of}", str(run.record.exit_code), run.uid


def _left_out(runs: Sequence[LotRun]) -> Facts:
    """Reasons of the newest run for what it did not measure or judge, each with the quantities it cost."""
    reasons: dict[str, list[str]] = {}
    newest = runs[-1].record
    for verdict in newest.verdicts:
        if not verdict.outcome.standing.asked:
            reasons.setdefault(f"{verdict.outcome}: {verdict.reason}", []).append(verdict.name)
    facts = [(why, ", ".join(names)) for why, names in reasons.items()]
    checks = {Name(name).check for name in newest.planned}
    absent = [check for check in CHECK_NAMES if check not in checks]
    return [*facts, *([("not asked for in these runs", ", ".join(absent))] if absent else [])]


def _rule(risk: RiskEntry, reference: ReferenceComparison | None) -> list[str]:
    shared = f"{risk.planned} decisions" + (
        f" in each of {risk.runs_sharing_risk} runs" if risk.runs_sharing_risk > 1 else ""
    )
    sentences = [
        "Against a requirement, with guard bands (JCGM 106:2012, ISO 14253-1): conforming inside the limit by at least "
        f"what keeps the chance of accepting a board at the limit to {100 * risk.false_acceptance:g} %, "
        f"nonconforming beyond it by at least what keeps that of refusing one to the share of one decision in "
        f"{100 * risk.false_alarm:g} % for all; undecided between the two.",
        "Against the model of the rig: a run differs where measured and expected lie further apart than the "
        f"uncertainties of both allow; {shared} share the {100 * risk.false_alarm:g} % that a healthy board is "
        "refused. Agrees says that a deviation of the size that the rig file states would have been seen.",
        "Verdicts against a requirement are on the mean of the runs; those against the model are the runs' own, and "
        "one run that found something refuses the board.",
    ]
    if reference is not None:
        sentences.append(
            f"Beside board {reference.board} ({reference.mountings} mountings of it): equivalent where a difference as "
            "large as the margin of the rig file is ruled out (two one-sided tests, 5 %), different beyond what an "
            f"unchanged board scatters ({100 * 0.01:g} % for all boards and quantities). What both took from the bench "
            "has cancelled. ± is for 95 % coverage."
        )
    return sentences


def _limits(lot: Lot) -> list[str]:
    sentences = [
        f"It is of this board with this firmware on the reference motor ({lot.motors}) with its load and sensor: these "
        "are the bench's. No other motor was measured.",
        "Accuracies of the instruments are those that the rig file states; whether and by whom they were calibrated "
        "no record shows.",
        "Each command that measured counts as a mounting of the board; whether it was plugged in anew no record shows.",
        "It concerns the board with the unique id above and no other of its lot.",
        "It is not issued under accreditation to ISO/IEC 17025, and nobody but who signs it answers for it.",
    ]
    simulated = (
        ["Board, motors and instruments are simulated: it says nothing about hardware."] if lot.simulated else []
    )
    return simulated + sentences


def _each(values: Iterable[object]) -> str:
    """Different values, once each."""
    return ", ".join(dict.fromkeys(str(value) for value in values))
