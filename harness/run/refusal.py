"""The record of firmware that is at fault when it is imported or asked, before anything could be planned."""

from __future__ import annotations

from harness.base.clock import utc_now
from harness.base.errors import ExitCode, FirmwareFault, HarnessError
from harness.bench.rig import Rig
from harness.bench.safe import order_first
from harness.judge.verdict import at_fault
from harness.record import RecordWriter
from harness.record.entries import PlanEntries, RiskEntry


class Refusal:
    """That record: begun when the fault is found, finished once all is made safe or could not be."""

    def __init__(self, rig: Rig, record: RecordWriter, fault: FirmwareFault) -> None:
        self._rig, self._record, self._fault = rig, record, fault
        self._words = str(fault)
        """As it was found: what fails afterwards is added to the error."""

    def begin(self) -> None:
        """Say of what the firmware is at fault."""
        bench = self._rig.spec.rig
        risk = bench.false_alarm_risk
        self._record.plan(
            PlanEntries(
                planned=(),
                risk=RiskEntry(false_alarm=risk, false_acceptance=bench.false_acceptance_risk, planned=1, each=risk),
                not_supervised=(),
                missing=(),
                required=(),
            )
        )
        self._record.add(verdicts=[at_fault("", self._fault.what, self._words)])

    def finish(self, error: BaseException) -> None:
        """Close it by the error that ends the run; what failed after the fault stands as what stopped the run."""
        order, rest = order_first(error)
        if not order:
            self._record.end_with(self._rig.switched_off())
        if order or rest != self._words:
            self._record.stop("bench", rest or "the run ended", by_hand=order)
        code = error.exit_code if isinstance(error, HarnessError) else ExitCode.DEFECT
        self._record.finish(code, utc_now().isoformat(timespec="seconds"))
