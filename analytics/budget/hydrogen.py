"""Air for a charging battery (IEC 62485-2 / EN 50272-2). Written for stationary batteries: in a vehicle an analogy only; the maker's sheet decides."""

from typing import NamedTuple

GAS_MA_PER_AH = {("vented", "float"): 5.0, ("vented", "boost"): 20.0, ("valve-regulated", "float"): 1.0, ("valve-regulated", "boost"): 8.0}
"""IEC 62485-2 Table 1 (reproduction)."""
DILUTION_M3_PER_AH = 0.05
"""24 (dilution to 4 % of the lower limit's base) × 0.42e-3 m³/Ah × 5 (safety factor) = 0.0504, rounded as the standard does."""


class Air(NamedTuple):
    """Air flow, and the free opening that gives it without a fan (one at the bottom and one at the top, each)."""

    flow_m3_per_h: float
    opening_cm2: float


def air_for(vented: bool, stage: str, cells: int, rated_capacity_ah: float) -> Air:
    """Q = 0.05 n I_gas C / 1000 m³/h and A = 28 Q cm². `stage` is float or boost."""
    gas = GAS_MA_PER_AH[("vented" if vented else "valve-regulated", stage)]
    flow = DILUTION_M3_PER_AH * cells * gas * rated_capacity_ah / 1000
    return Air(flow, 28 * flow)
