"""What fitting a probe badly costs: the heat that its stem carries off, and a cable of the wrong metal.

Rough numbers to fit by, not corrections: gas speed and wall temperature in a running engine are not known so well.
"""

from __future__ import annotations

import math

from daq.thermocouple import emf_mV, hot_junction_C, seebeck_uV_per_K

#: Conductivity [W/(m·K)] of a type K probe in its sheath, as one rod.
STEM_W_PER_M_K = 22.0
#: Gas and wall [K] of the numbers below: 1100 K gas, the probe's foot at 700 K.
GAS_K, FOOT_K = 1100.0, 700.0


def conduction_error_K(depth_mm: float, diameter_mm: float, transfer_W_per_m2_K: float) -> float:
    """How much too cool [K] a probe reads because its stem leads heat to the pipe.

    (T_gas − T_foot)/cosh(L·√(4h/(k·d))): a rod in cross flow with its end insulated, from memory of the textbooks.
    depth_mm: how far it stands in the gas; transfer_W_per_m2_K: heat transfer from gas to stem, e.g. 435 for 3 mm and
    615 for 1.5 mm at 60 m/s.

    >>> round(conduction_error_K(20.0, 3.0, 435.0)), round(conduction_error_K(25.0, 3.0, 435.0))
    (31, 14)
    """
    m_per_m = math.sqrt(4.0 * transfer_W_per_m2_K / (STEM_W_PER_M_K * diameter_mm / 1000.0))
    return (GAS_K - FOOT_K) / math.cosh(depth_mm / 1000.0 * m_per_m)


def wrong_cable_error_C(t_C: float, joint_C: float, terminals_C: float, reversed_pair: bool) -> float:
    """What a copper cable, or one of the right metals the wrong way round, adds [°C] at a reading of `t_C`.

    The stretch from the joint at `joint_C` to the terminals at `terminals_C` should add E(joint) − E(terminals); copper
    adds nothing, and a reversed pair takes as much away (ITS-90).

    >>> round(wrong_cable_error_C(700.0, 60.0, 25.0, reversed_pair=False))
    -34
    """
    missing_mV = float(emf_mV(joint_C) - emf_mV(terminals_C)) * (2.0 if reversed_pair else 1.0)
    voltage_mV = float(emf_mV(t_C) - emf_mV(terminals_C)) - missing_mV
    return float(hot_junction_C(voltage_mV, terminals_C)) - t_C


def cold_junction_share(t_C: float, terminals_C: float = 25.0) -> float:
    """By how much [°C per °C] an error of the terminals' temperature shows in a reading of `t_C`: S(cj)/S(t)."""
    return float(seebeck_uV_per_K(terminals_C)) / float(seebeck_uV_per_K(t_C))
