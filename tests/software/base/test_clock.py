"""The clock of a bench that owns the time, against a bench that counts the questions."""

from __future__ import annotations

import json
import signal
import socket
import threading
from collections.abc import Iterator

import pytest

from harness.base import clock as times
from harness.base.clock import BenchClock
from harness.base.errors import BenchError, InstrumentError
from harness.bench.visa import Session
from tests.patience import PATIENCE_S
from tests.software.bench.scripted import polite, scripted


class CountingBench:
    """Time stands still unless it is asked to run. `questions`: what came; `sent`: what that said was sent."""

    def __init__(self) -> None:
        self.questions: list[str] = []
        self.sent: list[int] = []
        self.time_ns = 0
        self.error = ""
        self.interrupts = False
        self.signs = 0
        """Of life, before an answer; without an answer if it is not to come."""
        self.answers = True
        self.gone_on = threading.Event()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.address = f"127.0.0.1:{self._listener.getsockname()[1]}"
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        connection, _ = self._listener.accept()
        with connection:
            for line in connection.makefile("rb"):
                message = json.loads(line)
                self.questions.append(message["op"])
                self.sent += [message["sent"]] if "sent" in message else []
                self.time_ns = max(message.get("until_ns", 0), self.time_ns + message.get("duration_ns", 0))
                reply = {"error": self.error} if self.error else {"time_ns": self.time_ns, "out": 7}
                if self.interrupts:
                    self.interrupts = False
                    signal.pthread_kill(threading.main_thread().ident, signal.SIGINT)
                    self.gone_on.wait(PATIENCE_S)  # the answer comes only when the host has gone on
                connection.sendall(b'{"working": true}\n' * self.signs)
                if not self.answers:
                    self.gone_on.wait(PATIENCE_S)
                    return
                connection.sendall(json.dumps({**reply, "number": message["number"]}).encode() + b"\n")

    def close(self) -> None:
        self._listener.close()


@pytest.fixture
def bench() -> Iterator[CountingBench]:
    made = CountingBench()
    yield made
    made.close()


def test_the_time_is_asked_for_once_while_it_stands_still(bench: CountingBench) -> None:
    clock = BenchClock(bench.address)
    bench.time_ns = 2_000_000_000
    assert [clock.now_s() for _ in range(5)] == [2.0] * 5
    assert bench.questions == ["now"]


def test_every_wait_tells_the_time(bench: CountingBench) -> None:
    clock = BenchClock(bench.address)
    wire = clock.wire()
    assert clock.now_s() == 0.0
    assert wire.run_for_output(0, 1.5) == 7
    assert clock.now_s() == 1.5
    clock.sleep_s(0.25)
    assert clock.now_s() == 1.75
    assert bench.questions == ["opened", "run", "sleep"]


def test_no_wait_overtakes_what_was_sent(bench: CountingBench) -> None:
    clock = BenchClock(bench.address)
    clock.sleep_s(0.5)
    wire = clock.wire()
    wire.note_sent(3)
    wire.note_sent(2)
    wire.run_for_output(0, 1.5)
    clock.sleep_s(0.25)
    clock.wire()
    clock.sleep_s(0.25)
    assert bench.sent == [0, 5, 5, 0]


def test_after_an_instrument_the_bench_is_asked_again(bench: CountingBench) -> None:
    clock = BenchClock(bench.address)
    assert clock.now_s() == 0.0
    with scripted() as instrument, Session.open("meter", instrument.address, clock=clock) as session:
        bench.time_ns = 200_000_000
        session.query("READ?")
        assert clock.now_s() == 0.2
    assert bench.questions == ["now", "now"]


def test_an_instrument_that_stays_silent_may_have_let_time_pass_too(bench: CountingBench) -> None:
    clock = BenchClock(bench.address)
    with (
        scripted(lambda message: None if message == "READ?" else polite(message)) as instrument,
        Session.open("meter", instrument.address, clock=clock, timeout_s=0.1) as session,
    ):
        assert clock.now_s() == 0.0
        bench.time_ns = 200_000_000
        with pytest.raises(InstrumentError, match=r"READ\?: no answer within 0.1 s"):
            session.query("READ?")
        assert clock.now_s() == 0.2


def test_after_an_error_the_time_is_not_known(bench: CountingBench) -> None:
    clock = BenchClock(bench.address)
    assert clock.now_s() == 0.0
    bench.error = "only 1 of 2 bytes arrived"
    with pytest.raises(BenchError, match="only 1 of 2 bytes arrived"):
        clock.sleep_s(1.0)
    bench.error, bench.time_ns = "", 3_000_000_000
    assert clock.now_s() == 3.0


@pytest.mark.usefixtures("terminal_signals")
@pytest.mark.skipif(not hasattr(signal, "pthread_kill"), reason="signals of POSIX")
def test_an_interrupt_between_question_and_answer_shifts_no_later_answer(bench: CountingBench) -> None:
    clock = BenchClock(bench.address)
    bench.interrupts = True
    with pytest.raises(KeyboardInterrupt):
        clock.sleep_s(1.0)
    bench.gone_on.set()
    bench.time_ns = 5_000_000_000
    assert clock.now_s() == 5.0
    clock.sleep_s(1.0)
    assert clock.now_s() == 6.0


def test_a_bench_that_has_ended_is_told_in_words_that_read_on() -> None:
    with socket.create_server(("127.0.0.1", 0)) as gone:
        port = gone.getsockname()[1]
    words = rf"^clock at 127\.0\.0\.1:{port}: no answer from the bench that owns the time \(.*\); it has ended, hangs"
    with pytest.raises(BenchError, match=words):
        BenchClock(f"127.0.0.1:{port}").now_s()


def test_a_bench_that_says_that_it_works_is_waited_for(bench: CountingBench) -> None:
    clock = BenchClock(bench.address)
    bench.signs, bench.time_ns = 3, 1_000_000_000
    assert clock.now_s() == 1.0


@pytest.mark.parametrize(("signs", "why"), [(0, "timed out"), (1, "still at work after 0 s")])
def test_a_bench_that_hangs_is_given_up_once_and_for_all(
    bench: CountingBench, monkeypatch: pytest.MonkeyPatch, signs: int, why: str
) -> None:
    monkeypatch.setattr(times, "SILENT_S", 0.1)
    monkeypatch.setattr(times, "ANSWER_S", 0.0 if signs else PATIENCE_S)
    clock = BenchClock(bench.address)
    bench.signs, bench.answers = signs, False
    with pytest.raises(BenchError, match=rf"no answer .* \({why}\); it has ended, hangs, or was never there"):
        clock.sleep_s(1.0)
    with pytest.raises(BenchError, match=why):
        clock.sleep_s(1.0)
    assert bench.questions == ["sleep"], "who makes it safe does not wait for it once more"
    bench.gone_on.set()
