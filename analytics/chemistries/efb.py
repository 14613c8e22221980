"""Enhanced flooded batteries: flooded acid in a start-stop case."""

from dataclasses import replace

from analytics.chemistries.flooded import FLOODED
from analytics.chemistry import Band, Figure

EFB = replace(
    FLOODED,
    name="efb",
    title="enhanced flooded lead-acid",
    float_charge=Band(13.4 / 6, 2.30, "V/cell", "common practice, no source"),
    equalisation=None,
    bulk_current_c=Band(0.10, 0.25, "1/h", "common practice, no source"),
    charge_factor=Figure(1.12, 1.08, 1.15, "1", "common practice, no source"),
    self_discharge_pct_per_month=Figure(4, 2, 6, "%/month", "common practice, no source"),
    peukert=Figure(1.18, 1.12, 1.30, "1", "judgement: between flooded and AGM"),
    internal_resistance_ohm_ah=Figure(0.08, 0.04, 0.16, "ohm·Ah/cell", "judgement: between flooded and AGM; learned from load steps"),
    cycles=Figure(500, 300, 700, "cycles", "judgement: between flooded and AGM; wide"),
)
