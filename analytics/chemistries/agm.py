"""AGM: valve-regulated lead-acid with the acid in a glass mat. Needs a charger made for it; never equalised by default."""

from dataclasses import replace

from analytics.chemistries.flooded import FLOODED
from analytics.chemistry import Band, Figure, Table

AGM = replace(
    FLOODED,
    name="agm",
    title="AGM lead-acid",
    vented=False,
    rest_voltage=Table(
        ((0, 11.80 / 6), (25, 2.0), (50, 12.30 / 6), (75, 2.10), (100, 12.80 / 6)),
        "V/cell",
        "a battery maker's manual for valve-regulated batteries, from memory, to be confirmed",
    ),
    rest_voltage_spread_v=Figure(
        0.008, 0.005, 0.015, "V/cell", "judgement: published full voltages reach from 12.7 to 13.0 V for six cells"
    ),
    rest_h=Figure(24, 4, 24, "h", "trade texts (check values REST-4H to REST-24H); the slope decides, not the clock"),
    absorption=Band(14.2 / 6, 14.7 / 6, "V/cell", "common practice, no source"),
    float_charge=Band(2.25, 2.30, "V/cell", "common practice, no source; 2.27 V valve-regulated in IEC 62485-2 Table 1 (reproduction)"),
    equalisation=None,
    bulk_current_c=Band(0.10, 0.50, "1/h", "common practice 0.2 to 0.5, no source; below a tenth is slow, not harmful"),
    tail_current_c=Band(0.005, 0.010, "1/h", "common practice, no source"),
    charge_factor=Figure(1.07, 1.05, 1.10, "1", "common practice, no source"),
    self_discharge_pct_per_month=Figure(2, 1, 3, "%/month", "common practice, no source"),
    peukert=Figure(1.10, 1.05, 1.15, "1", "common practice, no source; only for runtime"),
    internal_resistance_ohm_ah=Figure(
        0.067, 0.03, 0.13, "ohm·Ah/cell", "judgement: 4 milliohm for a new six-cell battery of 100 Ah; learned from load steps"
    ),
    storage_check_pct=Figure(58, 55, 62, "%", "12.40 V at rest read through this table (58.3 %)"),
    cycles=Figure(500, 350, 700, "cycles", "common practice, wide: makers have no common test protocol"),
    float_current_ma_per_ah=Figure(1, 0.5, 1, "mA/Ah", "IEC 62485-2 gas figure for valve-regulated cells on float (reproduction)"),
    cautions=("hydrogen", "short_circuit"),
)
