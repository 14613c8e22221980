"""Flooded lead-acid with removable or sealed caps: liquid acid, vented."""

from analytics.chemistry import Band, Chemistry, Figure, Table

TM_ACID = "US Army TM 5-4210-230-14&P-1, Table 2 (temperate filling, SG 1.265)"

FLOODED = Chemistry(
    name="flooded",
    title="flooded lead-acid",
    lead_acid=True,
    vented=True,
    rest_voltage=Table(
        ((0, 11.89 / 6), (25, 12.06 / 6), (50, 12.24 / 6), (75, 12.45 / 6), (100, 12.65 / 6)),
        "V/cell",
        "two-decimal table of the Battery Council International, from memory; Bode 1977 at the acid densities of "
        "US Army TM 5-4210-230-14&P-1 Table 2 reproduces it within 0.03 V for six cells",
    ),
    rest_voltage_spread_v=Figure(0.005, 0.003, 0.009, "V/cell", "judgement: the published tables differ by 20 to 50 mV for six cells"),
    rest_voltage_v_per_k=Figure(0.0002, 0.00015, 0.0003, "V/K/cell", "Bode 1977 and Berndt, from memory"),
    rest_h=Figure(4, 3, 24, "h", "trade texts ask for 3 to 24 h (check values REST-3H to REST-24H); the slope decides, not the clock"),
    voltage_tells=((0, 100),),
    hysteresis_v=Figure(0.0, 0.0, 0.002, "V/cell", "judgement: stratification, not hysteresis, moves a flooded cell at rest"),
    absorption=Band(
        2.40, 14.8 / 6, "V/cell", "common practice, no source; 2.40 V is the boost voltage of IEC 62485-2 Table 1 (reproduction)"
    ),
    float_charge=Band(2.20, 2.30, "V/cell", "common practice, no source; 2.23 V vented in IEC 62485-2 Table 1 (reproduction)"),
    float_needed=False,
    equalisation=Band(2.50, 16.0 / 6, "V/cell", "common practice, no source; limited in time and by the maker's sheet"),
    compensation_v_per_k=Figure(
        -0.004, -0.005, -0.003, "V/K/cell", "Buchmann, Batteries in a Portable World: -3 mV; trade range -3 to -5 mV"
    ),
    bulk_current_c=Band(0.10, 0.20, "1/h", "common practice, no source"),
    tail_current_c=Band(0.01, 0.02, "1/h", "common practice, no source"),
    charge_factor=Figure(1.15, 1.10, 1.20, "1", "common practice, no source"),
    self_discharge_pct_per_month=Figure(
        4.5, 3, 6, "%/month", "common practice for low-antimony grids, no source; old antimony grids lose 20 % (US Army TM 9-6140-200-14)"
    ),
    peukert=Figure(1.22, 1.15, 1.35, "1", "common practice, no source; only for runtime, never for counting (Doerffel & Sharkh 2006)"),
    capacity_per_k=Figure(
        0.008,
        0.006,
        0.010,
        "1/K",
        "IEC form 0.006 per kelvin at 10 to 20 h rates and IEEE 485 cell-size factors (84 % at 10 °C) bracket it",
    ),
    internal_resistance_ohm_ah=Figure(
        0.10, 0.05, 0.20, "ohm·Ah/cell", "judgement: 6 milliohm for a new six-cell battery of 100 Ah; learned from load steps"
    ),
    end_of_discharge_v=Figure(1.75, 1.75, 1.80, "V/cell", "EN 50342, 20 h rate, as summarised by a battery maker"),
    safe_limit_pct=Figure(50, 40, 60, "%", "common practice: recharge at half (a club's guide)"),
    storage_check_pct=Figure(
        69,
        65,
        75,
        "%",
        "12.40 V at rest read through this table; freshening below it after a maker's guide citing Battery Council International",
    ),
    sulfation_pct=Figure(80, 70, 80, "%", "public battery FAQ: from 80 % down at rest; an importer: recharge at once at 70 %"),
    freezing=Table(((0, -9.4), (25, -15.0), (50, -26.1), (75, -37.2), (100, -59.5)), "°C", TM_ACID),
    charge_lowest_c=Figure(-20, -20, 0, "°C", "judgement: cold lead-acid may be charged slowly unless frozen"),
    charge_highest_c=Figure(43, 43, 50, "°C", "UFGS 16262: stop at 43 °C, resume at 38 °C"),
    cycles=Figure(400, 300, 600, "cycles", "common practice, wide: makers have no common test protocol"),
    cycles_depth_pct=50.0,
    float_current_ma_per_ah=Figure(
        5, 1, 5, "mA/Ah", "IEC 62485-2 gas figures for vented cells on float (reproduction); about 1 mA/Ah usual at 20 °C"
    ),
    cautions=("hydrogen", "acid", "short_circuit"),
)
