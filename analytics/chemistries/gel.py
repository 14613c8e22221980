"""Gel: valve-regulated lead-acid with the acid in silica gel. The lowest charging voltage of the family; never equalised."""

from dataclasses import replace

from analytics.chemistries.agm import AGM
from analytics.chemistry import Band, Figure, Table

GEL = replace(
    AGM,
    name="gel",
    title="gel lead-acid",
    rest_voltage=Table(
        ((0, 11.80 / 6), (25, 2.0), (50, 12.35 / 6), (75, 12.65 / 6), (100, 12.85 / 6)),
        "V/cell",
        "a battery maker's manual for valve-regulated batteries, from memory, to be confirmed",
    ),
    absorption=Band(2.30, 2.40, "V/cell", "common practice, no source"),
    float_charge=Band(13.4 / 6, 2.30, "V/cell", "common practice, no source; 2.27 V valve-regulated in IEC 62485-2 Table 1 (reproduction)"),
    bulk_current_c=Band(0.10, 0.30, "1/h", "common practice, no source"),
    self_discharge_pct_per_month=Figure(2, 1, 3, "%/month", "common practice, no source"),
    peukert=Figure(1.15, 1.10, 1.25, "1", "common practice, no source; only for runtime"),
    internal_resistance_ohm_ah=Figure(
        0.09, 0.04, 0.18, "ohm·Ah/cell", "judgement: 5 to 6 milliohm for a new six-cell battery of 100 Ah; learned from load steps"
    ),
    storage_check_pct=Figure(54, 50, 58, "%", "12.40 V at rest read through this table (54.2 %)"),
    cycles=Figure(700, 500, 1000, "cycles", "common practice, wide: makers have no common test protocol"),
)
