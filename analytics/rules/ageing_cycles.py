"""The cycles counted come near the life that the battery is rated for."""

from analytics.ageing.damage import rated
from analytics.ageing.rainflow import counted
from analytics.ageing.telling import damage_now, end_of_service
from analytics.assessment import Finding
from analytics.charging import telling
from analytics.rules.rule import Judgement, Rule
from analytics.view import View

NEAR = 0.8
"""Judgement: a fifth of the cycle life left is time to plan."""


def judge(view: View, standing: bool) -> Judgement:
    life = view.ageing.life
    if life is None or (life.damage < 0.5 * NEAR and not standing):
        return None
    used = damage_now(view.battery, life, counted(life.reversals))
    if used < NEAR:
        return None
    n, fewest, most, depth = rated(view.battery)
    service = end_of_service(view, used)
    left = (
        ""
        if service is None or service.latest_years is None
        else f" At this use {service.earliest_years:.1f} to {service.latest_years:.1f} years are left."
    )
    return Finding(
        "ageing_cycles",
        "low",
        "Rated cycles nearly used up",
        f"{100 * used:.0f} % of {n:.0f} rated cycles at {depth:.0f} % depth are used up; deep discharges count for more.",
        f"Cycle lives are published from {fewest:.0f} to {most:.0f} cycles, so the end may come earlier or later." + left,
        "Check the capacity with one watched discharge before relying on it far from the mains.",
        telling.caution(view.battery),
        (("cycle_life_used_pct", round(100 * used, 1)), ("rated_cycles", n), ("rated_cycles_depth_pct", depth)),
        "ASTM E1049-85 counting and Miner's rule; cycle life: " + view.battery.kind.cycles.source,
    )


def over(view: View) -> str:
    return "The cycle life counted is below the limit."


AGEING_CYCLES = Rule("ageing_cycles", 0, 86_400, judge, over)
