"""The whole stiffness check, procedure and analysis, on many simulated arms at once: are its intervals honest?

The bench (arm_bench.py) shares nothing with the analysis: it integrates the motion, with cogging, sticking, an
eccentric sensor and swinging, and takes the orders that the procedure gives to the board.
"""

from __future__ import annotations

import math
from pathlib import Path
from types import SimpleNamespace
from typing import Any, Self

import numpy as np
import pytest
from numpy.typing import NDArray

from harness.checks.stiffness import analysis as stiffness
from harness.checks.stiffness import procedure
from harness.checks.stiffness.held_field import open_loop
from harness.checks.stiffness.held_loop import momentum_n_m
from harness.checks.stiffness.readings import readings_of
from harness.checks.stiffness.stimulus import stimulus
from harness.nouns.coverage import interval
from harness.nouns.mounting import Mounting
from harness.nouns.observation import Column, Observation
from harness.nouns.results import Measurement, Unmeasured
from harness.rigfile import RigSpec, load
from tests.software.checks.commutation.turned_field import COLUMNS, DTYPE
from tests.software.checks.stiffness.arm_bench import TURN, ArmBench, Rows

ARMS = 24
CLIPPED = 10
"""Arms at each clip."""


@pytest.fixture(scope="module")
def spec(tmp_path_factory: pytest.TempPathFactory) -> RigSpec:
    """The demo's rig with no inductance to speak of, as the simulated currents have none."""
    text = Path("rigs_demo/rigs/sluice.toml").read_text(encoding="utf-8")
    path = tmp_path_factory.mktemp("rig") / "sluice.toml"
    path.write_text(
        text.replace("inductance_h = { value = 1.3e-3", "inductance_h = { value = 1.3e-6"), encoding="utf-8"
    )
    return load(path)


class Board:
    """Stands where Hold stands; carries out its orders on all arms and keeps an observation for each."""

    def __init__(self, bench: ArmBench) -> None:
        self.bench = bench
        self.taken: list[list[Observation]] = [[] for _ in range(bench.n)]
        self.at = self.amplitude = 0.0
        self.point: float | None = None
        self.rows = Rows()
        self.slipped: NDArray[np.float64] | None = None
        self.last: NDArray[np.int64] | None = None

    def __call__(self, rig: Any, motor: str, *, sample_ms: int) -> Self:
        self.rig, self.motor, self.turn, self.every_s = rig, motor, TURN, sample_ms * 1e-3
        return self

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        pass

    def _add(self, rows: Rows) -> None:
        for name in ("t", "count", "command", "amplitude"):
            getattr(self.rows, name).extend(getattr(rows, name))

    def field(self, angle: float, amplitude: float, seconds: float, edge_s: float = 0.1, slip_rad: float = 0.0) -> None:
        rows = self.bench.field(angle, amplitude, seconds, edge_s, self.every_s)
        self._add(rows)
        self.at, self.amplitude = angle, amplitude
        if slip_rad:
            count = np.asarray(rows.count)
            gone = np.abs((count - count[0] + TURN // 2) % TURN - TURN // 2) > slip_rad / math.tau * TURN
            self.last = np.argmax(gone, axis=0)
            self.slipped = np.asarray(rows.amplitude)[self.last, np.arange(self.bench.n)]

    def wait(self, seconds: float) -> None:
        if self.point is None:
            self._add(self.bench.field(self.at, self.amplitude, seconds, 0.01, self.every_s))
        else:
            self.set_point(round(self.point / math.tau * TURN), seconds)

    def close_loop(self) -> None:
        self.point = 0.0

    def set_point(self, count: int, seconds: float, edge_s: float = 0.1) -> None:
        self.point = count / TURN * math.tau
        self._add(self.bench.loop(self.point + np.zeros(self.bench.n), seconds, edge_s, self.every_s))

    def off(self) -> None:
        self.point, self.amplitude = None, 0.0
        self.bench.off(0.02)

    def forget(self) -> None:
        self.rows, self.last = Rows(), None

    def take(self, name: str, **conditions: object) -> Observation:
        columns = tuple(Column(name=word, unit=unit, scale=scale) for word, unit, scale in COLUMNS)
        # What the rows of a loop carry is its set point in counts, of a field 1/65536 turn.
        unit = TURN if self.point is not None else 65536
        for arm in range(self.bench.n):
            end = len(self.rows.t) if self.last is None else int(self.last[arm])
            data = np.zeros(end, dtype=DTYPE)
            data["t"] = np.round(np.asarray(self.rows.t[:end]) * 1e6)
            data["count"] = np.asarray(self.rows.count)[:end, arm]
            data["command"] = np.round(np.asarray(self.rows.command)[:end, arm] / math.tau * unit)
            data["amplitude"] = np.round(np.asarray(self.rows.amplitude)[:end, arm] * 32767)
            own = {key: of_arm(value, arm) for key, value in conditions.items()}
            made = Observation(name=name, columns=columns, data=data, conditions=own)
            self.taken[arm].append(made)
        self.forget()
        return made


def of_arm(value: object, arm: int) -> object:
    """A condition of one arm, out of numbers that are arrays over the arms."""
    if isinstance(value, np.ndarray):
        return float(value[arm])
    return [of_arm(entry, arm) for entry in value] if isinstance(value, list) else value


@pytest.fixture(scope="module")
def checked(spec: RigSpec) -> tuple[ArmBench, list[list[Observation]]]:
    """The check carried out on all arms."""
    bench = ArmBench(n=ARMS, seed=11)
    bench.offset = 0.8 + 0.4 * (bench.offset - 0.8)
    return bench, carried_out(bench, spec)


def carried_out(bench: ArmBench, spec: RigSpec) -> list[list[Observation]]:
    """The check's observations of each arm."""
    board = Board(bench)

    def current() -> SimpleNamespace:
        return SimpleNamespace(value=bench.supply_current(board.amplitude) + 0.045)

    rig: Any = SimpleNamespace(
        spec=spec,
        declared={
            "leaf": SimpleNamespace(
                pole_pairs=10,
                counts_per_turn=TURN,
                max_static_duty=0.98,
                amplitude_limit=0.4,
                dead_time_s=150e-9,
                carrier_hz=20e3,
            )
        },
        mounting=lambda motor: Mounting(direction=1, offset_rad=0.8, hang_rad=2.0),
        supply=SimpleNamespace(measure_voltage=lambda: SimpleNamespace(value=bench.supply_v), measure_current=current),
        thermometer=None,
        progress=lambda *_, **__: None,
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(procedure, "Hold", board)
        procedure.procedure(rig, "leaf", stimulus(rig.spec, rig.declared["leaf"], "leaf"))
    for taken in board.taken:
        for observation in taken:
            observation.conditions["room_c"] = 20.0  # type: ignore[index]
    return board.taken


def truths(bench: ArmBench) -> dict[str, NDArray[np.float64]]:
    """True values of each arm by quantity, cold again after its run."""
    bench.winding_c = np.full(bench.n, 20.0)
    places = [bench.hang + x for x in np.linspace(-0.45, 0.45, 31)]
    aside = np.mean([np.cos(10 * bench.error(x) + 0.8 - bench.offset) for x in places], axis=0)
    ohm = bench.resistance + bench.on_resistance
    lost = 4.0 / math.pi * bench.dead * bench.supply_v
    truth = {
        "open_loop": 10 * bench.peak_torque(0.6),
        "closed_loop": bench.torque_constant * bench.gain * bench.supply_v / 2 / ohm * aside,
        "friction": bench.friction,
        "slip_torque": bench.peak_torque(0.6),
        "clip_torque": bench.torque_constant * (bench.clip * bench.supply_v / 2 - lost) / ohm * aside,
        "torque_per_ampere": bench.torque_constant,
    }
    return truth | {"ratio": truth["closed_loop"] / truth["open_loop"]}


def results(taken: list[list[Observation]], spec: RigSpec, name: str) -> list[Measurement | Unmeasured]:
    """What each arm gave for a quantity."""
    full = f"leaf.stiffness.{name}"
    return [result for arm in taken for result in stiffness.analyse(arm, spec, "leaf") if result.name == full]


@pytest.mark.slow
def test_intervals_hold_the_truth_and_are_no_wider_than_the_errors(
    checked: tuple[ArmBench, list[list[Observation]]], spec: RigSpec
) -> None:
    bench, taken = checked
    truth = truths(bench)
    errors: dict[str, list[float]] = {name: [] for name in truth}
    inside: dict[str, int] = dict.fromkeys(truth, 0)
    for arm, observations in enumerate(taken):
        for result in stiffness.analyse(observations, spec, "leaf"):
            name = result.name.rpartition(".")[2]
            if name in truth and isinstance(result, Measurement):
                low, high = interval(result.quantity)
                inside[name] += low <= truth[name][arm] <= high
                errors[name].append((result.quantity.value - truth[name][arm]) / result.quantity.u)
    spread = {name: math.sqrt(float(np.mean(np.square(z)))) for name, z in errors.items()}
    assert all(len(z) == ARMS for z in errors.values())
    assert all(0.5 < rms < 1.5 for rms in spread.values()), spread
    assert all(count >= 0.8 * ARMS for count in inside.values()), inside


@pytest.mark.slow
@pytest.mark.parametrize("clip", [0.15, 0.2, 0.25, 0.32, 0.4, 0.45, 0.5])
def test_the_largest_torque_of_the_loop_holds_at_any_clip_or_cannot_be_told(clip: float, spec: RigSpec) -> None:
    bench = ArmBench(n=CLIPPED, seed=round(1000 * clip))
    bench.offset = 0.8 + 0.4 * (bench.offset - 0.8)
    bench.clip *= clip / 0.4
    taken, truth = carried_out(bench, spec), truths(bench)
    for name in ("clip_torque", "closed_loop"):
        inside = claimed = 0
        for result, true in zip(results(taken, spec, name), truth[name], strict=True):
            if isinstance(result, Measurement):
                claimed += 1
                low, high = interval(result.quantity, 0.99)
                inside += low <= true <= high
        assert inside >= 0.8 * claimed, (name, inside, claimed)
        # An arm of 60 mN m shows any clip below its own torque at 70 degrees, less the friction that carries with it.
        assert name != "clip_torque" or (claimed == 0 if clip == 0.5 else claimed >= 0.8 * CLIPPED)


@pytest.mark.slow
def test_the_motion_gives_back_inertia_and_where_the_arm_hangs(
    checked: tuple[ArmBench, list[list[Observation]]], spec: RigSpec
) -> None:
    bench, taken = checked
    for arm, observations in enumerate(taken[:6]):
        held = open_loop(readings_of(spec, "leaf", {o.name.rpartition(".")[2]: o for o in observations}))
        assert held.values["inertia"] == pytest.approx(bench.inertia[arm], rel=0.1)
        assert 2.0 + held.values["hang"] == pytest.approx(bench.hang[arm], abs=0.02)


@pytest.mark.parametrize(("v", "b"), [(0.25, 1.2e-3), (0.25, 0.0), (0.1, 3e-3), (1.0, 1e-3)])
def test_momentum_into_the_clip_is_that_of_a_damped_swing(v: float, b: float) -> None:
    inertia, spring, step = 2e-4, 0.035, 1e-6
    x, speed = 0.0, v  # from the balance at constant speed, where the loop's torque stops growing
    while speed > 0.0:
        speed += (b * (v - speed) - spring * x) / inertia * step
        x += speed * step
    assert momentum_n_m(v, inertia, b, spring) == pytest.approx(spring * x - b * v, rel=1e-3)
