"""The charge counted between known states contradicts the declared capacity: wrongly declared, or aged before the readings began."""

from analytics.ageing.telling import capacity_interval, has_faded
from analytics.assessment import Finding
from analytics.charging import telling
from analytics.rules.rule import Judgement, Rule, Said
from analytics.view import View

LESS_PART, MORE_PART = 0.78, 1.15
"""Parts of the declared capacity that the whole interval must lie beyond. Judgement: below 80 % a battery is worn out by the standards'
own measure, and new ones hold up to a tenth more than is printed on them."""
BACK = 0.04
"""Judgement: hysteresis, as a part of the declared capacity."""


def judge(view: View, standing: bool) -> Judgement:
    interval = capacity_interval(view)
    if interval is None:
        return None
    value, low, high = interval
    declared_ah = view.battery.rated_capacity_ah
    back_ah = BACK * declared_ah if standing else 0.0
    if low > MORE_PART * declared_ah - back_ah:
        return Said("declared_capacity", "low", lambda: _finding(view, interval, more=True))
    if high < LESS_PART * declared_ah + back_ah and not has_faded(view, value):
        return Said("declared_capacity", "low", lambda: _finding(view, interval, more=False))
    return None


def _finding(view: View, interval: tuple[float, float, float], *, more: bool) -> Finding:
    value, low, high = interval
    declared_ah = view.battery.rated_capacity_ah
    return Finding(
        "declared_capacity",
        "low",
        "It holds more than is declared" if more else "It holds much less than is declared",
        f"It holds about {value:.0f} Ah ({low:.0f} to {high:.0f} Ah); {declared_ah:.0f} Ah are declared. This is the charge counted between "
        "moments at which its state was known (rest voltages and full charges).",
        "The declared capacity must be wrong: no battery holds so much more than is printed on it. Or a current flows past the sensor."
        if more
        else "Either another capacity is printed on it, or it has lost that much with age: below 80 % a battery is at the end of its service "
        "life. A charger or load that the current sensor does not see would look alike.",
        "Read the capacity on the battery's label and correct it in the settings."
        if more
        else "Read the capacity on the battery's label and correct it if it differs. If it does not, have the battery tested, and plan its replacement.",
        telling.caution(view.battery),
        (("capacity_ah", round(value, 1)), ("low_ah", round(low, 1)), ("high_ah", round(high, 1)), ("declared_capacity_ah", declared_ah)),
        "judgement; 80 % of rated capacity as end of life: IEEE 450 and 1188 practice, from memory",
    )


def over(view: View) -> str:
    return "The measured capacity fits what is declared."


DECLARED_CAPACITY = Rule("declared_capacity", 0, 86_400, judge, over)
