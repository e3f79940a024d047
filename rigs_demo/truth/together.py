"""What the second motor changes: nothing where a supply holds its voltage and the shafts are apart."""

from __future__ import annotations

from rigs_demo.truth.bench import KnownBench, Truth, Values


def of_bench(bench: KnownBench) -> Values:
    """Values of the whole bench; none of a battery or a coupling, whose changes nobody has integrated here."""
    parameters = bench.parameters
    if parameters.supply.battery or parameters.coupling is not None:
        return {}
    values: Values = {f"{name}_deflection_change": (0.0, "rad") for name in parameters.motors}
    values["supply_sag"] = (0.0, "V")
    return values


TRUTH = Truth(of_bench=of_bench)
