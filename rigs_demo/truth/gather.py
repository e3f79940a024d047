"""Every true value of a scenario, by its full quantity name."""

from __future__ import annotations

from rigs_demo.faults import plant_of
from rigs_demo.plant import drawing
from rigs_demo.plant.parameters import MotorParameters, Parameters
from rigs_demo.truth import heat
from rigs_demo.truth.commutation import Values, commutation
from rigs_demo.truth.firmware import Firmware, read_firmware
from rigs_demo.truth.static import Still
from rigs_demo.truth.step import step
from rigs_demo.truth.stiffness import holding_voltage, stiffness


def gather(
    scenario: str,
    plant_seed: int | None,
    faults: tuple[str, ...],
    *,
    board_seed: int | None = None,
    responses: bool = True,
) -> Values:
    """Values and units; without `responses` no loop is run (a tenth of the time).

    Raises UnknownScenario, PlantFileError, FaultError.
    """
    firmware = read_firmware(scenario, faults)
    parameters = plant_of(scenario, plant_seed, faults, board_seed)
    rig = drawing.rig_table(scenario)
    values: Values = {}
    for index, (name, motor) in enumerate(parameters.motors.items()):
        about = rig["motor"][name]["electrical_offset_rad"]["value"]
        still = Still(motor, parameters.driver, held_bus_v(parameters, motor))
        found = {
            "commutation": commutation(motor, still, firmware, float(about)),
            "stiffness": stiffness(parameters, motor, still, firmware, index),
            "thermal": thermal(parameters, motor, firmware),
            "step": step(parameters, rig, name, firmware) if responses else {},
        }
        for check, quantities in found.items():
            values.update({f"{name}.{check}.{quantity}": entry for quantity, entry in quantities.items()})
    values.update({f"together.{quantity}": entry for quantity, entry in together(parameters).items()})
    return values


def held_bus_v(parameters: Parameters, motor: MotorParameters) -> float:
    """Bus voltage while one motor is held: the supply's, or a battery's under that load."""
    volts = parameters.supply.voltage_v
    for _ in range(3 if parameters.supply.battery else 0):
        volts = holding_voltage(parameters, Still(motor, parameters.driver, volts))
    return volts


def thermal(parameters: Parameters, motor: MotorParameters, firmware: Firmware) -> Values:
    """Values of the thermal check, by the quantity's last word; none where the check's current cannot flow."""
    values: Values = {"resistance": (motor.resistance_ohm, "ohm")}
    if motor.open_winding is not None:
        return values
    modes = heat.modes(motor)
    values["rise"] = (modes.rise_k, "K")
    values["fast_rise"] = (modes.fast_rise_k, "K")
    values["fast_time"] = (modes.fast_s, "s")
    values["slow_time"] = (modes.slow_s, "s")
    if firmware.own_pace:
        values["driver_rise"] = (heat.driver_rise_k(parameters.driver), "K")
    return values


def together(parameters: Parameters) -> Values:
    """What the second motor changes: nothing where a supply holds its voltage and the shafts are apart."""
    if parameters.supply.battery or parameters.coupling is not None:
        return {}
    values: Values = {f"{name}_deflection_change": (0.0, "rad") for name in parameters.motors}
    values["supply_sag"] = (0.0, "V")
    return values
