"""Whether the reference tests exercise the project: each of these breaks must turn one of them red.

python -m tests.reference.breaks        some two minutes; writes RESULTS.md beside
"""

from __future__ import annotations

import sys

from tests.breaks import Break, outcomes
from tests.reference.cases import cases
from tests.results import Results, table

NOUNS, FITS, STEP, STIFFNESS = "harness/nouns", "harness/fits", "harness/checks/step", "harness/checks/stiffness"
BREAKS = (
    Break(
        words="propagation by secants over three standard uncertainties",
        file=f"{NOUNS}/quantity.py",
        right="step = max(share * u, FLOAT * abs(quantity.value))",
        wrong="step = 3.0 * u",
    ),
    Break(
        words="a factor of a sum loses its sign",
        file=f"{NOUNS}/quantity.py",
        right="            _add(budget, source, part, factor)\n    return Quantity(value=value,",
        wrong="            _add(budget, source, part, abs(factor))\n    return Quantity(value=value,",
    ),
    Break(
        words="degrees of freedom of a whole budget as of a mean, not by Welch and Satterthwaite",
        file=f"{NOUNS}/quantity.py",
        right="(v / total) ** 2 / dof",
        wrong="v / total / dof",
    ),
    Break(
        words="a standard deviation over n in place of n - 1",
        file=f"{NOUNS}/quantity.py",
        right="math.sqrt(max(squares, 0.0) / (count - 1))",
        wrong="math.sqrt(max(squares, 0.0) / count)",
    ),
    Break(
        words="jointly estimated values taken for independent",
        file=f"{NOUNS}/quantity.py",
        right='f"{source}#{number}": Contribution',
        wrong='f"{unit}{source}#{number}": Contribution',
    ),
    Break(
        words="a rectangular input's half-width taken for its standard uncertainty",
        file=f"{NOUNS}/quantity.py",
        right="u=half_width / math.sqrt(3.0)",
        wrong="u=half_width",
    ),
    Break(
        words="a coverage interval on one side only",
        file=f"{NOUNS}/coverage.py",
        right=".reach(1.0 - probability)",
        wrong=".reach(2.0 * (1.0 - probability))",
    ),
    Break(
        words="rectangular shapes convolved as triangular ones",
        file=f"{NOUNS}/coverage.py",
        right='    if shape == "rectangular":\n        below',
        wrong='    if shape == "none":\n        below',
    ),
    Break(
        words="a Monte Carlo draw of half the width",
        file=f"{NOUNS}/monte_carlo.py",
        right="generator.uniform(-SQRT3, SQRT3, trials)",
        wrong="0.5 * generator.uniform(-SQRT3, SQRT3, trials)",
    ),
    Break(
        words="a guard band twice as wide",
        file="harness/judge/verdict.py",
        right="accept = _guard_band(",
        wrong="accept = 2.0 * _guard_band(",
    ),
    Break(
        words="of two limits the nearer one alone",
        file="harness/judge/verdict.py",
        right="safe_tail(measured, band) + safe_tail(measured, far(band)) - risk",
        wrong="safe_tail(measured, band) - risk",
    ),
    Break(
        words="E numbers by standard uncertainties",
        file="harness/judge/verdict.py",
        right="expanded = 2.0 * math.hypot",
        wrong="expanded = math.hypot",
    ),
    Break(
        words="scatter between groups with that within them left in",
        file="harness/compare/between.py",
        right="s_of_means**2 - u_within**2",
        wrong="s_of_means**2",
    ),
    Break(
        words="a component of variance over the wrong number of values",
        file="harness/study/anova.py",
        right="summed.get(key, 0.0) + factor / term.size",
        wrong="summed.get(key, 0.0) + factor",
    ),
    Break(
        words="interactions pooled with their squares and not their degrees of freedom",
        file="harness/study/anova.py",
        right="ss=kept.ss + gone.ss, dof=kept.dof + gone.dof",
        wrong="ss=kept.ss + gone.ss, dof=kept.dof",
    ),
    Break(
        words="total variation of a gauge study without the gauge's own",
        file="harness/study/gauge.py",
        right="math.hypot(grr, pv)",
        wrong="pv",
    ),
    Break(
        words="the covariance of a fit without the scatter of its points",
        file=f"{FITS}/regression.py",
        right="unscaled * (chi_squared / dof)",
        wrong="unscaled",
    ),
    Break(
        words="autocorrelation about zero, not about the mean",
        file=f"{FITS}/regression.py",
        right="deviations = series - math.fsum(series) / series.size",
        wrong="deviations = series",
    ),
    Break(
        words="what is left of an earlier input dying away twice as fast",
        file=f"{FITS}/lags.py",
        right="columns += [np.exp(-since / time_s) for time_s in times_s]",
        wrong="columns += [np.exp(-2.0 * since / time_s) for time_s in times_s]",
    ),
    Break(
        words="a rise time to the 80 % level",
        file=f"{FITS}/pulse.py",
        right="HIGH_REFERENCE = 0.90",
        wrong="HIGH_REFERENCE = 0.80",
    ),
    Break(
        words="settling counted from the beginning of the record",
        file=f"{FITS}/pulse.py",
        right="settling_instant(move, band) - reference_instants(move)[1]",
        wrong="settling_instant(move, band)",
    ),
    Break(
        words="the decay of swings a whole cycle in place of half of one",
        file=f"{FITS}/swings.py",
        right="np.array([-math.log(q),",
        wrong="np.array([-2.0 * math.log(q),",
    ),
    Break(
        words="the measured overshoot of a step doubled",
        file=f"{STEP}/metrics.py",
        right="return (top - at_rest(step).final_rad) / step.size_rad",
        wrong="return 2.0 * (top - at_rest(step).final_rad) / step.size_rad",
    ),
    Break(
        words="the expected overshoot of a step doubled",
        file=f"{STEP}/staircase.py",
        right="return (motion.turns[0][1] - motion.rest)",
        wrong="return 2.0 * (motion.turns[0][1] - motion.rest)",
    ),
    Break(
        words="the model's shaft damped twice",
        file="harness/physics/swing.py",
        right="damping / (2.0 * inertia)",
        wrong="damping / inertia",
    ),
    Break(
        words="what back-EMF brakes by the resistance of two phases",
        file="harness/physics/motor.py",
        right="torque_per_ampere(pole_pairs, flux_v_s) ** 2 / (1.5 * circuit_ohm(",
        wrong="torque_per_ampere(pole_pairs, flux_v_s) ** 2 / (2.0 * circuit_ohm(",
    ),
    Break(
        words="the lag of a winding as R / L",
        file="harness/physics/loop.py",
        right="henry / circuit_ohm(winding, on)",
        wrong="circuit_ohm(winding, on) / henry",
    ),
    Break(
        words="torque per ampere without the 1.5 of three phases",
        file="harness/physics/motor.py",
        right="return 1.5 * pole_pairs * flux_v_s",
        wrong="return pole_pairs * flux_v_s",
    ),
    Break(
        words="electrical angles without the pole pairs",
        file="harness/physics/motor.py",
        right="return direction * pole_pairs * shaft_rad + offset_rad",
        wrong="return direction * shaft_rad + offset_rad",
    ),
    Break(
        words="the expected open-loop stiffness doubled",
        file=f"{STIFFNESS}/model.py",
        right='None if peak is None else scaled(peak, pole_pairs, "N m/rad"),\n            held,',
        wrong='None if peak is None else scaled(peak, 2.0 * pole_pairs, "N m/rad"),\n            held,',
    ),
    Break(
        words="the expected curve of a held field without its sine",
        file=f"{STIFFNESS}/overlay.py",
        right="shape, slope = np.sin(pole_pairs * at) / warm,",
        wrong="shape, slope = pole_pairs * at / warm,",
    ),
    Break(
        words="the measured open-loop stiffness doubled",
        file=f"{STIFFNESS}/analysis.py",
        right='        "open_loop",\n        scaled(held.peak_torque, readings.pole_pairs,',
        wrong='        "open_loop",\n        scaled(held.peak_torque, 2.0 * readings.pole_pairs,',
    ),
    Break(
        words="a sensor's error left on its readings",
        file=f"{STIFFNESS}/held_field.py",
        right="return np.asarray(reading_rad - error)",
        wrong="return np.asarray(reading_rad)",
    ),
    Break(
        words="temperature from resistance on a scale of kelvins from 0 degC",
        file="harness/corrections/resistance.py",
        right="return resistance_ratio * (k_c + cold_temperature_c) - k_c",
        wrong="return resistance_ratio * k_c - k_c + cold_temperature_c",
    ),
    Break(
        words="a rise over the room at its beginning",
        file="harness/corrections/resistance.py",
        right="temperature_c(hot / cold, cold_c, k_c) - ambient_c",
        wrong="temperature_c(hot / cold, cold_c, k_c) - cold_c",
    ),
    Break(
        words="two phases in series taken for one",
        file="harness/checks/thermal/readings.py",
        right="self.ohm = self._volts / (2.0 * self.current)",
        wrong="self.ohm = self._volts / self.current",
    ),
    Break(
        words="the board's checksum always 0",
        file="device_scripts/frames.py",
        right="return ((high ^ 0xFFFF) << 16) | (low ^ 0xFFFF)",
        wrong="return 0",
    ),
    Break(
        words="the host keeps frames whose checksum is wrong, and those alone",
        file="harness/link/wire.py",
        right="!= crc32(body[:length], crc32(head))",
        wrong="== crc32(body[:length], crc32(head))",
    ),
)
RESULTS = Results(
    title="Breaks that the reference tests see",
    place="tests/reference/RESULTS.md",
    command="python -m tests.reference.breaks",
    inputs=("tests/breaks.py", "tests/reference"),
)
"""Of the tests alone: that a break still has its place in the sources is tested each time."""


def main() -> int:
    """Plant them all. 0 if each was seen."""
    rows, seconds = [], 0.0
    for outcome in outcomes(BREAKS, ("tests/reference",)):
        seconds += outcome.seconds
        test = outcome.red.rpartition("/")[2].replace("::", ": ")
        rows.append((outcome.planted.words, outcome.planted.file, test or "**none**"))
        sys.stdout.write(f"{outcome.seconds:4.1f} s  {outcome.planted.words}: {test or 'NOT SEEN'}\n")
    unseen = sum("none" in row[2] for row in rows)
    seen = f"{len(rows) - unseen} of {len(rows)} breaks turn a reference test red, in {seconds:.0f} s.\n\n"
    values = sum(len(case.expect) for case in cases().values())
    compared = values - sum(len(case.left_out) for case in cases().values())
    seen += f"Of {values} expected values in {len(cases())} cases {compared} are compared; the others say why not.\n\n"
    RESULTS.write(seen + table(("break", "in", "first test that is red"), rows))
    sys.stdout.write(f"{seen}written to {RESULTS.place}\n")
    return 1 if unseen else 0


if __name__ == "__main__":
    sys.exit(main())
