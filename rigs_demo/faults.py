"""stub"""
from rigs_demo.plant.parameters import Parameters


def apply(parameters: Parameters, faults: object) -> Parameters:
    return parameters
