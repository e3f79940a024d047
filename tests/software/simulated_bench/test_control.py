"""The control socket tells its host that it works, as long as that is true."""

from __future__ import annotations

import json
import socket
from threading import Event, Thread
from types import SimpleNamespace
from typing import Any

import pytest

from rigs_demo import clock_control
from tests.patience import PATIENCE_S


def test_before_an_answer_that_takes_long_there_are_signs_of_life(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clock_control, "SIGN_S", 0.01)
    enough = Event()
    line = SimpleNamespace(taken=0, put=0, plugged=True)
    board = SimpleNamespace(line=line, take_input=lambda: None)

    def run(_until_ns: int) -> str:
        assert enough.wait(PATIENCE_S)
        return "deadline"

    bench: Any = SimpleNamespace(board=board, now_ns=5, run=run)
    control = clock_control.Control(bench)
    host, _, port = control.address.rpartition(":")
    with socket.create_connection((host, int(port)), timeout=PATIENCE_S) as asker:
        control.serve(control.sockets()[0])
        asker.sendall(b'{"op": "sleep", "sent": 0, "duration_ns": 1, "number": 1}\n')
        serving = Thread(target=control.serve, args=(control.sockets()[1],))
        serving.start()
        answers = asker.makefile("rb")
        assert [json.loads(answers.readline()) for _ in range(3)] == [{"working": True}] * 3
        enough.set()
        while (reply := json.loads(answers.readline())) == {"working": True}:
            pass
        assert reply == {"reason": "deadline", "number": 1, "time_ns": 5, "out": 0}
        serving.join()
        asker.settimeout(0.1)
        with pytest.raises(TimeoutError):
            asker.recv(1)  # nothing is asked
        answers.close()
    control.close()
