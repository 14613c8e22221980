"""Sun on a flat roof by month and latitude.

Declination: Cooper 1969, Solar Energy 12(3), 333-346. Extraterrestrial daily irradiation: Duffie & Beckman, Solar Engineering of
Thermal Processes, ch. 1 (solar constant 1367 W/m²), at Klein's 1977 mean day of the month (Solar Energy 19, 325-329). At the ground:
Angström-Prescott with a = 0.25, b = 0.50 (FAO Irrigation and Drainage Paper 56, eq. 35 and 36). No weather forecast, no tilt, no shade.
"""

from math import acos, cos, pi, radians, sin, tan

SOLAR_CONSTANT_W = 1367.0
MEAN_DAY = (17, 47, 75, 105, 135, 162, 198, 228, 258, 288, 318, 344)
"""Klein 1977: day of the year whose irradiation is nearest to the mean of its month."""
ANGSTROM_A, ANGSTROM_B = 0.25, 0.50


def declination_deg(day_of_year: int) -> float:
    """Cooper 1969: 23.45 sin(360 (284 + n) / 365), degrees."""
    return 23.45 * sin(2 * pi * (284 + day_of_year) / 365)


def sunset_angle_rad(latitude_deg: float, declination: float) -> float:
    """Hour angle of sunset; 0 in polar night, pi in polar day."""
    return acos(min(1.0, max(-1.0, -tan(radians(latitude_deg)) * tan(radians(declination)))))


def extraterrestrial_wh(latitude_deg: float, day_of_year: int) -> float:
    """Daily irradiation on a horizontal plane above the air, Wh/m²."""
    declination = declination_deg(day_of_year)
    sunset = sunset_angle_rad(latitude_deg, declination)
    distance = 1 + 0.033 * cos(2 * pi * day_of_year / 365)
    phi, delta = radians(latitude_deg), radians(declination)
    return 24 / pi * SOLAR_CONSTANT_W * distance * (cos(phi) * cos(delta) * sin(sunset) + sunset * sin(phi) * sin(delta))


def ground_wh(latitude_deg: float, month: int, sunshine_pct: float) -> float:
    """Mean daily irradiation on the ground in a month (1 to 12), Wh/m², horizontal."""
    above = extraterrestrial_wh(latitude_deg, MEAN_DAY[month - 1])
    return above * (ANGSTROM_A + ANGSTROM_B * sunshine_pct / 100)


def panel_wh(latitude_deg: float, month: int, panel_w: float, sunshine_pct: float, losses_pct: float) -> float:
    """What panels of this rated power (at 1000 W/m²) give in a day, Wh."""
    return ground_wh(latitude_deg, month, sunshine_pct) / 1000 * panel_w * (1 - losses_pct / 100)
