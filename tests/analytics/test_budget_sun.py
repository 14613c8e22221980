"""Sun by month and latitude, against pvlib (a general-purpose solar library) and textbook figures."""

from math import cos, degrees, radians

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pvlib import irradiance, solarposition

from analytics.budget.sun import MEAN_DAY, declination_deg, extraterrestrial_wh, ground_wh, panel_wh


@pytest.mark.parametrize("day", range(1, 366, 7))
def test_declination_is_coopers(day: int) -> None:
    """The declination equals pvlib's coding of Cooper 1969."""
    assert declination_deg(day) == pytest.approx(degrees(float(solarposition.declination_cooper69(day))), abs=1e-6)


def test_the_mean_day_of_each_month_is_kleins() -> None:
    """Declination on the mean day of each month as tabled in Duffie & Beckman, table 1.6.1 (after Klein 1977; from memory)."""
    tabled = [-20.9, -13.0, -2.4, 9.4, 18.8, 23.1, 21.2, 13.5, 2.2, -9.6, -18.9, -23.0]
    assert [round(declination_deg(day), 1) for day in MEAN_DAY] == pytest.approx(tabled, abs=0.051)


@pytest.mark.parametrize("latitude", [-35.0, 0.0, 38.0, 52.0, 60.0])
@pytest.mark.parametrize("month", [1, 3, 6, 9, 12])
def test_daily_irradiation_above_the_air_agrees_with_pvlib(latitude: float, month: int) -> None:
    """The closed form of a day agrees within 4 % (or 60 Wh; Cooper is a degree off near the equinoxes) with pvlib's sun position and extraterrestrial irradiance summed over that day."""
    day = MEAN_DAY[month - 1]
    times = pd.date_range("2023-01-01", periods=288, freq="5min", tz="UTC") + pd.Timedelta(days=day - 1)
    zenith = solarposition.get_solarposition(times, latitude, 0.0)["zenith"]
    normal = irradiance.get_extra_radiation(day, solar_constant=1367.0, method="spencer")
    summed = sum(max(0.0, cos(radians(z))) for z in zenith) * float(normal) * 5 / 60
    assert extraterrestrial_wh(latitude, day) == pytest.approx(summed, rel=0.04, abs=60)


def test_the_textbook_day() -> None:
    """Duffie & Beckman, example 1.10.1 (from memory): 43° N on 15 April gives 33.8 MJ/m² above the air."""
    assert extraterrestrial_wh(43.0, 105) * 3600 / 1e6 == pytest.approx(33.8, abs=0.1)


@given(latitude=st.floats(-66, 66), month=st.integers(1, 12), sunshine=st.floats(0, 100))
def test_the_ground_gets_a_quarter_to_three_quarters(latitude: float, month: int, sunshine: float) -> None:
    """Angström-Prescott: between a and a + b of what comes in above, more with more sunshine; never negative."""
    above = extraterrestrial_wh(latitude, MEAN_DAY[month - 1])
    ground = ground_wh(latitude, month, sunshine)
    assert 0 <= 0.25 * above - 1e-6 <= ground <= 0.75 * above + 1e-6


def test_panels_scale_with_power_and_losses() -> None:
    """Twice the panel gives twice the yield; losses take their part."""
    full = panel_wh(50, 6, 100, 50, 0)
    assert panel_wh(50, 6, 200, 50, 25) == pytest.approx(full * 2 * 0.75)
    assert panel_wh(50, 12, 100, 30, 25) < panel_wh(50, 6, 100, 50, 25) / 4
