"""The charging window of one battery: the maker's values where declared, else the chemistry's, at a temperature. Volts of the whole battery."""

from analytics.battery import Battery

BASE_C = 25.0
"""Temperature to which charging voltages are referred (trade convention of the chemistries' windows)."""


def absorption_low_v(battery: Battery) -> float:
    """Lower end of the absorption window at 25 °C."""
    own = battery.charge_window.absorption_low_v
    return battery.kind.absorption.low * battery.cells if own is None else own


def absorption_high_v(battery: Battery) -> float:
    """Upper end of the absorption window at 25 °C."""
    own = battery.charge_window.absorption_high_v
    return battery.kind.absorption.high * battery.cells if own is None else own


def float_low_v(battery: Battery) -> float:
    own = battery.charge_window.float_low_v
    return battery.kind.float_charge.low * battery.cells if own is None else own


def float_high_v(battery: Battery) -> float:
    own = battery.charge_window.float_high_v
    return battery.kind.float_charge.high * battery.cells if own is None else own


def equalisation_high_v(battery: Battery) -> float | None:
    """The highest voltage of a time-limited equalisation at 25 °C; None where it is never allowed."""
    own = battery.charge_window.equalisation_high_v
    if own is not None:
        return own
    band = battery.kind.equalisation
    return None if band is None else band.high * battery.cells


def compensation_v_per_k(battery: Battery) -> tuple[float, float, float]:
    """(usual, strongest, mildest) change of a charging voltage for each kelvin, volts of the whole battery, zero or negative."""
    own = battery.charge_window.compensation_v_per_k
    if own is not None:
        return own, own, own
    figure = battery.kind.compensation_v_per_k
    return figure.value * battery.cells, figure.low * battery.cells, figure.high * battery.cells


def at_25_c(battery: Battery, voltage_v: float, temperature_c: float | None) -> float:
    """A charging voltage referred to 25 °C with the usual compensation; as it is where the temperature is not known."""
    if temperature_c is None:
        return voltage_v
    return voltage_v - compensation_v_per_k(battery)[0] * (temperature_c - BASE_C)


def raised_v(battery: Battery, limit_v: float, temperature_c: float | None) -> float:
    """An upper limit at a temperature, with the usual compensation. Without a temperature, that of 10 °C: it accuses less
    (judgement: a vehicle in which batteries are charged is seldom colder)."""
    kelvin = -15.0 if temperature_c is None else temperature_c - BASE_C
    return limit_v + compensation_v_per_k(battery)[0] * kelvin


def capped_v(battery: Battery, limit_v: float, temperature_c: float | None) -> float:
    """As `raised_v`, but no higher than at 0 °C, where most chargers stop raising their voltage (common practice)."""
    return raised_v(battery, limit_v, None if temperature_c is None else max(0.0, temperature_c))
