"""The internal resistance has risen well above what it was."""

from analytics.assessment import Finding
from analytics.charging import telling
from analytics.rules.rule import Judgement, Rule
from analytics.view import View

TIMES, CLEAR = 1.6, 1.4
"""Judgement: half as high again is the usual call for a closer look (IEEE 1188 practice, from memory: 30 to 50 % above baseline)."""
WATCHED_MS = 30 * 86_400_000


def judge(view: View, standing: bool) -> Judgement:
    life = view.ageing.life
    if life is None or life.resistance_ohm is None or life.resistance_new_ohm is None or view.now_ms - life.begun_ms < WATCHED_MS:
        return None
    times = life.resistance_ohm / life.resistance_new_ohm
    if times < (CLEAR if standing else TIMES):
        return None
    return Finding(
        "ageing_resistance",
        "low",
        "Internal resistance has risen",
        f"{1000 * life.resistance_ohm:.1f} milliohm from load steps, {times:.1f} times what it was when the readings began (both at 25 °C).",
        "It gives less current: the voltage sags further under a mover or inverter. Corroded clamps look the same.",
        "Clean and tighten the clamps first; if it stays so, have the battery tested.",
        telling.caution(view.battery, "short_circuit"),
        (("resistance_ohm", life.resistance_ohm), ("resistance_new_ohm", life.resistance_new_ohm), ("times", round(times, 2))),
        "IEEE 1188 practice, from memory; the factor is a judgement",
    )


def over(view: View) -> str:
    return "The internal resistance is back near what it was."


AGEING_RESISTANCE = Rule("ageing_resistance", 0, 86_400, judge, over)
