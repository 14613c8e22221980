"""The battery has come to hold clearly less than it is rated for, and less than when the readings began."""

from analytics.ageing.telling import capacity_interval, has_faded
from analytics.assessment import Finding
from analytics.charging import telling
from analytics.rules.rule import Judgement, Rule
from analytics.view import View

END_PART, CLEAR_PART = 0.80, 0.85
"""End of service life at 80 % of the rated capacity (trade and standards practice); cleared with a margin."""
LEGS_SD_PART = 0.10


def judge(view: View, standing: bool) -> Judgement:
    life = view.ageing.life
    interval = None if life is None else capacity_interval(view)
    if life is None or interval is None or life.capacity_new_ah is None:
        return None
    value, low, high = interval
    rated_ah = view.battery.rated_capacity_ah
    if high > (CLEAR_PART if standing else END_PART) * rated_ah or life.capacity_var**0.5 > LEGS_SD_PART * rated_ah:
        return None
    if not has_faded(view, value):
        return None  # it held no more when the readings began: what is declared is in question (declared_capacity), not its age
    return Finding(
        "ageing_capacity",
        "low",
        "Battery has lost capacity",
        f"It holds {value:.0f} Ah now ({low:.0f} to {high:.0f} Ah); it held {life.capacity_new_ah:.0f} Ah when the readings began, and "
        f"{rated_ah:.0f} Ah are printed on it. This is the charge counted between moments at which its state was known.",
        f"Below {100 * END_PART:.0f} % of the rated capacity a battery is at the end of its service life. It may still serve for less; cold makes it worse.",
        "Charge it fully once and watch one full discharge; if it stays so, plan its replacement.",
        telling.caution(view.battery),
        (("capacity_ah", round(value, 1)), ("low_ah", round(low, 1)), ("high_ah", round(high, 1)), ("rated_capacity_ah", rated_ah)),
        "80 % of rated capacity as end of life: IEEE 450 and 1188 practice, from memory",
    )


def over(view: View) -> str:
    return "The measured capacity is above the limit again."


AGEING_CAPACITY = Rule("ageing_capacity", 0, 86_400, judge, over)
