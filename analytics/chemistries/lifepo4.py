"""Lithium iron phosphate: a flat curve with hysteresis, so voltage tells little in the middle; never charged below freezing."""

from analytics.chemistry import Band, Chemistry, Figure, Table

SUNIL = "Sunil, Pattipati & Balasingam 2025, IEEE Trans. Instrum. Meas., data table (C/32 pseudo open-circuit voltage, one commercial cell)"

LIFEPO4 = Chemistry(
    name="lifepo4",
    title="lithium iron phosphate (LiFePO4)",
    lead_acid=False,
    vented=False,
    rest_voltage=Table(
        (
            (0, 2.0102),
            (0.33, 2.4177),
            (1.17, 2.7405),
            (2.67, 2.9299),
            (5.34, 3.0872),
            (8.85, 3.1942),
            (29.72, 3.2772),
            (98.33, 3.3511),
            (99.50, 3.4180),
            (100, 3.5981),
        ),
        "V/cell",
        SUNIL,
    ),
    rest_voltage_spread_v=Figure(0.010, 0.005, 0.020, "V/cell", "judgement: cells and fits differ by about as much as hysteresis"),
    rest_voltage_v_per_k=Figure(0.0, -0.0002, 0.0002, "V/K/cell", "judgement: the entropic term changes sign along the curve"),
    rest_h=Figure(24, 4, 24, "h", "Voicila et al. 2025, Batteries 11(5), 186: relaxation up to a day or more"),
    voltage_tells=((0, 15), (97, 100)),
    hysteresis_v=Figure(
        0.012, 0.005, 0.025, "V/cell", "public article: 5 to 25 mV; Dreyer et al. 2010, Nature Materials: about 20 mV, to be confirmed"
    ),
    absorption=Band(3.50, 3.65, "V/cell", "common practice, no source"),
    float_charge=Band(3.325, 3.40, "V/cell", "common practice, no source; none is needed"),
    float_needed=False,
    equalisation=None,
    compensation_v_per_k=Figure(0.0, 0.0, 0.0, "V/K/cell", "common practice: none"),
    bulk_current_c=Band(0.0, 0.50, "1/h", "common practice 0.2 to 0.5, no source; less is slow, not harmful"),
    tail_current_c=Band(0.02, 0.05, "1/h", "common practice, no source"),
    charge_factor=Figure(1.005, 1.00, 1.01, "1", "common practice, no source"),
    self_discharge_pct_per_month=Figure(2, 1, 3, "%/month", "common practice, no source; protection electronics add a few milliamperes"),
    peukert=Figure(1.02, 1.00, 1.05, "1", "common practice, no source; only for runtime"),
    capacity_per_k=Figure(0.004, 0.002, 0.008, "1/K", "judgement: about a tenth less at freezing, more below"),
    internal_resistance_ohm_ah=Figure(
        0.20, 0.08, 0.40, "ohm·Ah/cell", "judgement: 8 milliohm for four cells of 100 Ah with protection switches; learned from load steps"
    ),
    end_of_discharge_v=Figure(2.5, 2.5, 2.8, "V/cell", "common practice, no source"),
    safe_limit_pct=Figure(20, 10, 30, "%", "common practice, no source"),
    storage_check_pct=Figure(40, 40, 60, "%", "common practice: store at 40 to 60 %"),
    sulfation_pct=None,
    freezing=None,
    charge_lowest_c=Figure(0, 0, 5, "°C", "lithium plating below freezing; one cell sheet 0 to 60 °C, 5 to 45 °C preferred"),
    charge_highest_c=Figure(45, 45, 60, "°C", "one cell sheet: 45 °C preferred, 60 °C limit"),
    cycles=Figure(3000, 2000, 6000, "cycles", "common practice, wide"),
    cycles_depth_pct=80.0,
    float_current_ma_per_ah=Figure(0.5, 0.0, 1.0, "mA/Ah", "judgement: nothing but the protection electronics flows once full"),
    cautions=("lithium_cold", "short_circuit"),
)
