"""Propagation, repeats, coverage and Monte Carlo against JCGM 100, JCGM 101 and others."""

from __future__ import annotations

import math

import numpy as np

from harness.fits.shaft import shaft_rad
from harness.nouns.coverage import half_width, interval, student_quantile
from harness.nouns.monte_carlo import monte_carlo
from harness.nouns.observation import Column, Observation
from harness.nouns.quantity import (
    BEND,
    Contribution,
    Quantity,
    combine,
    difference,
    exact,
    from_covariance,
    mean_and_deviation,
    normal,
    propagate,
    rectangular,
    repeats,
    shifted,
)
from harness.physics.motor import electrical_angle
from tests.reference.cases import Case, reference

TRIALS = 1_000_000
"""Tolerances of the JCGM 101 cases suit a million trials."""


def _first_order(quantity: Quantity) -> float:
    """Its standard uncertainty without what the project says of its own that a straight line leaves out."""
    parts = (part.u for source, part in quantity.budget.items() if not source.startswith(BEND))
    return math.hypot(*parts)


def _end_gauge(case: Case, known: float | None = None) -> dict[str, Quantity]:
    """Inputs of H.1, each as a scaled t, as the guide has them. `known`: degrees of freedom in place of theirs."""
    i = case.input

    def dof(stated: float) -> float:
        return known or stated

    def within(name: str, half: float, stated: float, value: float = 0.0) -> Quantity:
        return normal(value, half / math.sqrt(3.0), "", name, dof(stated))

    parts = zip(i["u_d_parts_nm"], i["dof_d_parts"], strict=True)
    cycle = Contribution(u=i["theta_cycle_amplitude_degC"] / math.sqrt(2.0), shape="arcsine")
    mean = normal(i["theta_degC"], i["theta_u_mean_degC"], "degC", "mean")
    return {
        "ls": normal(i["ls_nm"], i["u_ls_nm"], "nm", "ls", dof(i["dof_ls"])),
        "d": combine(
            ((1.0, exact(i["d_nm"], "nm")), *((1.0, normal(0.0, u, "nm", f"d{n}", dof(n))) for u, n in parts)), "nm"
        ),
        "da": within("da", i["da_half_width"], i["dof_da"]),
        "theta": shifted(mean, cycle=Quantity(value=0.0, unit="degC", budget={"cycle": cycle})),
        "alpha_s": within("alpha_s", i["alpha_s_half_width"], math.inf, i["alpha_s_per_degC"]),
        "dtheta": within("dtheta", i["dtheta_half_width_degC"], i["dof_dtheta"]),
    }


@reference("gum-h1")
def test_end_gauge(case: Case) -> dict[str, object]:
    def model(ls: float, d: float, da: float, theta: float, alpha_s: float, dtheta: float) -> float:
        return ls + d - ls * (da * theta + alpha_s * dtheta)

    inputs = _end_gauge(case)
    # The guide puts d together first, with the degrees of freedom of the whole.
    d = inputs["d"]
    length = propagate(model, "nm", **{**inputs, "d": normal(d.value, d.u, "nm", "d", d.dof)})
    asymptotic = monte_carlo(model, "nm", trials=TRIALS // 4, **_end_gauge(case, known=math.inf))
    return {
        "length_nm": length.value,
        "u_d_nm": d.u,
        "dof_d": d.dof,
        "contribution_dtheta_nm": abs(length.budget["dtheta"].u),
        "contribution_da_nm": abs(length.budget["da"].u),
        "u_c_nm": length.u,
        "dof_eff": length.dof,
        "k_99_percent": student_quantile(0.995, case.expect["dof_used"]["value"]),
        "U_99_percent_nm": half_width(length, 0.99),
        "u_c_second_order_nm": asymptotic.u,
    }


def _simultaneous(case: Case) -> list[Quantity]:
    data = np.array([case.column(name) for name in COLUMNS])
    covariance = np.cov(data, ddof=1) / data.shape[1]
    return from_covariance(
        data.mean(axis=1).tolist(), covariance.tolist(), ["V", "mA", "rad"], "readings", data.shape[1] - 1
    )


COLUMNS = ("V_volt", "I_milliampere", "phi_radian")
H2 = {
    "R": lambda v, i, phi: 1e3 * v / i * math.cos(phi),
    "X": lambda v, i, phi: 1e3 * v / i * math.sin(phi),
    "Z": lambda v, i, phi: 1e3 * v / i + 0.0 * phi,
}


def _correlation(a: Quantity, b: Quantity) -> float:
    """From the difference of both, each over its own uncertainty: its variance is 2 - 2 r."""
    return 1.0 - combine(((1.0 / a.u, a), (-1.0 / b.u, b)), "1").u ** 2 / 2.0


@reference("gum-h2-inputs")
def test_simultaneous_readings(case: Case) -> dict[str, object]:
    v, i, phi = _simultaneous(case)
    alone = repeats(case.column(COLUMNS[0]), "V", "v")
    assert math.isclose(alone.u, v.u) and alone.dof == v.dof == 4
    return {
        "V_mean": v.value,
        "I_mean": i.value,
        "phi_mean": phi.value,
        "u_V": v.u,
        "u_I": i.u,
        "u_phi": phi.u,
        "r_V_I": _correlation(v, i),
        "r_V_phi": _correlation(v, phi),
        "r_I_phi": _correlation(i, phi),
    }


@reference("gum-h2-approach1")
def test_impedance_from_correlated_means(case: Case) -> dict[str, object]:
    v, i, phi = _simultaneous(case)
    r, x, z = (propagate(H2[name], "ohm", v=v, i=i, phi=phi) for name in "RXZ")
    assert math.isclose(r.dof, 4.0), "the parts of one evaluation count once"
    return {
        "R": r.value,
        "X": x.value,
        "Z": z.value,
        "u_R": r.u,
        "u_X": x.u,
        "u_Z": z.u,
        "r_R_X": _correlation(r, x),
        "r_R_Z": _correlation(r, z),
        "r_X_Z": _correlation(x, z),
    }


@reference("gum-h2-approach2")
def test_impedance_of_each_set(case: Case) -> dict[str, object]:
    columns = [case.column(name) for name in COLUMNS]
    sets = {name: [H2[name](*row) for row in zip(*columns, strict=True)] for name in "RXZ"}
    covariance = np.cov(np.array(list(sets.values())), ddof=1) / len(columns[0])
    means = [mean_and_deviation(values)[0] for values in sets.values()]
    r, x, z = from_covariance(means, covariance.tolist(), ["ohm"] * 3, "sets", 4)
    return {
        "R_per_set": sets["R"],
        "X_per_set": sets["X"],
        "Z_per_set": sets["Z"],
        "R_mean": r.value,
        "X_mean": x.value,
        "Z_mean": z.value,
        "u_R": r.u,
        "u_X": x.u,
        "u_Z": z.u,
        "r_R_X": _correlation(r, x),
        "r_R_Z": _correlation(r, z),
        "r_X_Z": _correlation(x, z),
    }


@reference("doebelin-3-2")
def test_shaft_power(case: Case) -> dict[str, object]:
    i = case.input
    inputs = {
        name.partition("_")[0]: normal(i[name], i[f"u_{name}"], "", name)
        for name in ("R_rev", "F_newton", "L_metre", "t_second")
    }
    power = propagate(lambda R, F, L, t: 2.0 * math.pi * R * F * L / t, "W", **inputs)
    return {"W": power.value, "u_abs_sum": sum(abs(part.u) for part in power.budget.values()), "u_rss": power.u}


@reference("nist-tn1900-e13")
def test_expansion_coefficient(case: Case) -> dict[str, object]:
    inputs = {name: normal(case.input[name], case.input[f"u_{name}"], "", name, 3) for name in ("L0", "L1", "T0", "T1")}
    alpha = propagate(lambda L0, L1, T0, T1: (L1 - L0) / (L0 * (T1 - T0)), "1/K", **inputs)
    return {"alpha": alpha.value, "u_alpha": alpha.u}


@reference("welch-satterthwaite-1")
def test_effective_degrees_of_freedom(case: Case) -> dict[str, object]:
    parts = zip(case.input["u"], case.input["dof"], strict=True)
    total = combine([(1.0, normal(0.0, u, "", f"s{dof}", float(dof))) for u, dof in parts], "")
    return {"dof_eff": total.dof}


@reference("s1-9-2-2")
def test_four_normals(case: Case) -> dict[str, object]:
    inputs = {f"x{k}": normal(0.0, 1.0, "", f"x{k}") for k in range(4)}
    total = combine([(1.0, q) for q in inputs.values()], "")
    found = monte_carlo(lambda x0, x1, x2, x3: x0 + x1 + x2 + x3, "", trials=TRIALS, **inputs)
    assert abs((found.symmetric[1] - found.symmetric[0]) / 2.0 - half_width(total)) < 0.02
    return {"y": found.mean, "u_y": found.u, "half_width_95": half_width(total)}


def _rectangulars(deviations: list[float]) -> tuple[Quantity, dict[str, Quantity]]:
    inputs = {f"x{k}": rectangular(0.0, s * math.sqrt(3.0), "", f"x{k}") for k, s in enumerate(deviations)}
    return combine([(1.0, q) for q in inputs.values()], ""), inputs


@reference("s1-9-2-3")
def test_four_rectangulars(case: Case) -> dict[str, object]:
    total, inputs = _rectangulars([1.0] * 4)
    found = monte_carlo(lambda x0, x1, x2, x3: x0 + x1 + x2 + x3, "", trials=TRIALS, **inputs)
    assert abs(half_width(total) - 3.879406741) < 2e-4, "the convolution is far better than the tolerance"
    return {
        "u_y": found.u,
        "half_width_95_monte_carlo": (found.symmetric[1] - found.symmetric[0]) / 2.0,
        "half_width_95_linear": half_width(normal(0.0, total.u, "", "as if normal")),
    }


@reference("s1-9-2-4")
def test_one_rectangular_ten_times_wider(case: Case) -> dict[str, object]:
    total, _ = _rectangulars(case.input["standard_deviations"])
    return {
        "u_y": total.u,
        "half_width_95_monte_carlo": half_width(total),
        "half_width_95_linear": half_width(normal(0.0, total.u, "", "as if normal")),
    }


@reference("s1-9-3-mass")
def test_mass_calibration(case: Case) -> dict[str, object]:
    inputs = {
        "m": normal(100_000.0, 0.050, "mg", "mR"),
        "dm": normal(1.234, 0.020, "mg", "dmR"),
        "a": rectangular(1.20, 0.10, "kg/m3", "rho_a"),
        "w": rectangular(8000.0, 1000.0, "kg/m3", "rho_W"),
        "r": rectangular(8000.0, 50.0, "kg/m3", "rho_R"),
    }

    def model(m: float, dm: float, a: float, w: float, r: float) -> float:
        return (m + dm) * (1.0 + (a - 1.2) * (1.0 / w - 1.0 / r)) - 100_000.0

    first = propagate(model, "mg", **inputs)
    found = monte_carlo(model, "mg", trials=4 * TRIALS, **inputs)
    return {
        "y_monte_carlo": found.mean,
        "u_monte_carlo": found.u,
        "low_95": found.symmetric[0],
        "high_95": found.symmetric[1],
        "u_first_order": first.u,
        "low_95_first_order": interval(first)[0],
        "high_95_first_order": interval(first)[1],
    }


def _comparison_loss(case: Case) -> dict[str, object]:
    u, r = case.input["u"], case.input["correlation"]
    first = normal(case.input["x1"], u, "", "z1")
    other = combine(((r, normal(0.0, u, "", "z1")), (math.sqrt(1.0 - r * r), normal(0.0, u, "", "z2"))), "")
    second = combine(((1.0, exact(case.input["x2"], "")), (1.0, other)), "")
    inputs = {"a": first, "b": second}
    found = monte_carlo(lambda a, b: a**2 + b**2, "", trials=TRIALS, **inputs)
    return {
        "mean_1e6": 1e6 * found.mean,
        "u_1e6": 1e6 * found.u,
        "low_95_shortest_1e6": 1e6 * found.shortest[0],
        "high_95_shortest_1e6": 1e6 * found.shortest[1],
        "u_first_order_1e6": 1e6 * _first_order(propagate(lambda a, b: a**2 + b**2, "", **inputs)),
    }


test_comparison_loss_at_zero = reference("s1-9-4-x1-000-r00")(_comparison_loss)
test_comparison_loss_off_zero = reference("s1-9-4-x1-010-r00")(_comparison_loss)
test_comparison_loss_correlated = reference("s1-9-4-x1-000-r09")(_comparison_loss)


@reference("ln-of-rectangular")
def test_logarithm(case: Case) -> dict[str, object]:
    x = rectangular(0.6, 0.5, "", "x")
    found = monte_carlo(_log, "", trials=TRIALS, x=x)
    first = propagate(_scalar_log, "", x=x)
    assert math.isclose(first.u, found.u, rel_tol=0.05), "the bend that is added is most of what is missing"
    return {
        "y_first_order": first.value,
        "u_first_order": _first_order(first),
        "y_monte_carlo": found.mean,
        "u_monte_carlo": found.u,
        "low_95_shortest": found.shortest[0],
        "high_95_shortest": found.shortest[1],
    }


def _log(x: object) -> object:
    return np.log(x)


def _scalar_log(x: float) -> float:
    return math.log(x)


@reference("resolution-14")
def test_quantisation(case: Case) -> dict[str, object]:
    turn = 1 << case.input["bits"]
    column = Column(name="count", unit="1")
    readings = Observation(name="two", columns=(column,), data=np.array([(0,), (1,)], dtype=[("count", "<u2")]))
    step_rad = float(np.diff(shaft_rad(readings, turn, 0.0))[0])
    step = math.degrees(step_rad)
    reading, other = (rectangular(0.0, step / 2.0, "deg", name) for name in ("quantisation", "another reading"))
    return {
        "lsb_deg": step,
        "u_deg": reading.u,
        "u_over_lsb": reading.u / step,
        "lsb_elec_deg_7_pole_pairs": math.degrees(electrical_angle(1, 7, step_rad, 0.0)),
        "u_of_difference_deg": difference(other, reading).u,
    }
