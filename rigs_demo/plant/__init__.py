"""The physics of the simulated bench: two motors, their bridges, supply, sensors, loads and heat.

Integrates the equations of motion; shares no code with the closed forms of the harness.
"""

from rigs_demo.plant.parameters import Parameters
from rigs_demo.plant.plant import Plant

__all__ = ["Parameters", "Plant"]
