"""The sun on a van's roof: what a flat panel can give by place, day of the year, hour and clouds. No shading, no snow.

Geometry: declination after Cooper 1969, Solar Energy 12, and the hour angle; the clear sky after Haurwitz 1945, J. Meteorology 2
(both from memory); local solar time, so noon is noon. Clouds are drawn day by day and half hour by half hour from a seed.
"""

from math import cos, exp, pi, radians, sin
from random import Random

DAY_S = 86400.0


def sine_of_elevation(at_s: float, day_of_year: int, latitude_deg: float) -> float:
    """at_s: seconds from a midnight in local solar time. Below zero: night."""
    declination = radians(23.45) * sin(2 * pi * (284 + day_of_year) / 365)
    latitude = radians(latitude_deg)
    hour_angle = 2 * pi * (at_s % DAY_S / DAY_S - 0.5)
    return sin(latitude) * sin(declination) + cos(latitude) * cos(declination) * cos(hour_angle)


def clear_sky_w_per_m2(sine: float) -> float:
    """Global horizontal irradiance of a clear sky (Haurwitz): 1098 sin(e) exp(-0.057 / sin(e))."""
    return 1098 * sine * exp(-0.057 / sine) if sine > 0.001 else 0.0


class Sun:
    """A panel lying flat. cloudiness 0 … 1: how much of the clear sky is lost on an average day."""

    def __init__(self, panel_w: float, latitude_deg: float = 48.0, day_of_year: int = 172, cloudiness: float = 0.4, seed: int = 0) -> None:
        self.panel_w, self.latitude_deg, self.day_of_year, self.cloudiness, self.seed = panel_w, latitude_deg, day_of_year, cloudiness, seed
        self._slot = -1
        self._clear = 1.0

    def power_w(self, at_s: float) -> float:
        """What the panel gives at this second, W; 20 % are lost to dirt, heat and wiring (judgement)."""
        sine = sine_of_elevation(at_s, self.day_of_year + int(at_s // DAY_S), self.latitude_deg)
        if sine <= 0.001:
            return 0.0
        slot = int(at_s // 1800)
        if slot != self._slot:
            self._slot, self._clear = slot, self._sky(slot)
        return self.panel_w * 0.8 * clear_sky_w_per_m2(sine) / 1000 * self._clear

    def current_a(self, at_s: float, voltage_v: float) -> float:
        """What a tracking controller can push into a battery at this voltage."""
        return self.power_w(at_s) / max(voltage_v, 1.0)

    def _sky(self, slot: int) -> float:
        day = Random(self.seed * 7919 + slot // 48).betavariate(2, 2)
        passing = Random(self.seed * 104_729 + slot).uniform(-0.15, 0.15)
        return min(1.0, max(0.05, 1 - self.cloudiness * 2 * day + passing * self.cloudiness * 2))
