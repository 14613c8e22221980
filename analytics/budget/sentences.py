"""A budget's answer in plain words, most important first, and planned against measured. The table is printed elsewhere."""

from analytics.budget.answer import Answer
from analytics.cautions import CAUTIONS
from analytics.chemistries import CHEMISTRIES

EN1648_AH = 60.0
"""EN 1648-2:2018, 4.3.2: an auxiliary battery of a motor caravan has at least 60 Ah at the 20 h rate. For information only."""
CLOSE = 0.15
"""Judgement: within 15 % a plan of use is well guessed."""


def sentences_of(a: Answer) -> tuple[str, ...]:
    """What the plan comes to."""
    plan = a.plan
    said = [
        f"{plan.name}: {a.daily_wh:.0f} Wh a day, {a.daily_ah:.1f} Ah at {plan.nominal_v:.0f} V; with {plan.margin_pct:.0f} % margin {a.planned_ah:.1f} Ah.",
        _battery(a),
        _sun(a),
        _charging(a),
        *_bursts(a),
        _cycles(a),
        _air(a),
        _standard(a),
        CAUTIONS["advice"],
    ]
    return tuple(s for s in said if s)


def _battery(a: Answer) -> str:
    battery = a.plan.battery
    days = f"{a.dark_days:.1f} days' use must come out of the battery"
    if battery is None:
        return f"{days[0].upper()}{days[1:]}; the table says how large it must be for each kind."
    need = dict(a.required)[battery.chemistry].with_margin_ah
    title = CHEMISTRIES[battery.chemistry].title
    verdict = "carries" if a.enough else "does not carry"
    return (
        f"{days[0].upper()}{days[1:]}: {need:.0f} Ah of {title} at {a.plan.temperature_c:.0f} °C. "
        f"The {battery.rated_capacity_ah:.0f} Ah on board {verdict} this plan."
    )


def _sun(a: Answer) -> str:
    sun = a.plan.sun
    if sun is None:
        return ""
    part = 100 * a.sun_ah / a.planned_ah if a.planned_ah > 0 else 100.0
    return (
        f"{sun.panel_w:.0f} W of panels at {abs(sun.latitude_deg):.0f}° {'N' if sun.latitude_deg >= 0 else 'S'} bring about {a.sun_ah:.0f} Ah on a mean day "
        f"of that month, {min(part, 999):.0f} % of what is used; a dull week brings half of it or less."
    )


def _charging(a: Answer) -> str:
    if a.plan.hook_up:
        return "On the hook-up the mains carries the use; the battery only has to take the bursts and the first day away."
    if a.charge_ah_per_day <= 0:
        return "On a mean day the sun puts back all that is used."
    hours = "" if a.charge_hours_per_day is None else f", {a.charge_hours_per_day:.1f} hours of the charger on board"
    return f"Each day {a.charge_ah_per_day:.0f} Ah must be charged beyond the sun{hours}, or the stay ends when the battery does."


def _bursts(a: Answer) -> tuple[str, ...]:
    said = []
    for s in a.strains:
        limit = a.plan.battery.burst_limit_a if a.plan.battery else None
        against = (
            "no limit of the battery is given"
            if limit is None
            else f"the battery may give {limit:.0f} A" + ("" if s.within_limit else ", which is too little")
        )
        sag = "" if s.sag_v is None else f", about {s.sag_v:.2f} V less at the terminals while it lasts"
        said.append(f"{s.name}: {s.current_a:.0f} A for {s.seconds:.0f} s costs {s.ampere_hours:.1f} Ah{sag}; {against}.")
    return tuple(said)


def _cycles(a: Answer) -> str:
    if a.cycles_a_year is None or a.years is None:
        return ""
    early, late = a.years
    if early >= 20:
        return f"That is {a.cycles_a_year:.0f} full cycles a year; its cycles outlast its age."
    return f"That is {a.cycles_a_year:.0f} full cycles a year; its cycles last {early:.0f} to {'more than 20' if late >= 20 else f'{late:.0f}'} years, if age and heat do not end it first."


def _air(a: Answer) -> str:
    if a.air is None:
        return ""
    return (
        f"While it is charged at absorption voltage it wants about {a.air.flow_m3_per_h:.2f} m³ of air an hour, openings of {a.air.opening_cm2:.0f} cm² in and out "
        "(IEC 62485-2, written for buildings: an analogy only). " + CAUTIONS["hydrogen"]
    )


def _standard(a: Answer) -> str:
    battery = a.plan.battery
    if battery is None or battery.rated_capacity_ah >= EN1648_AH:
        return ""
    return f"For information: EN 1648-2 asks for at least {EN1648_AH:.0f} Ah in a motor caravan."


def against_measured(planned_ah: float, measured_daily_ah: list[float]) -> str:
    """Planned against what the days really took (ampere-hours out of the battery for each whole day)."""
    if len(measured_daily_ah) < 3:
        return f"Only {len(measured_daily_ah)} whole days have been measured; at least 3 are needed to hold them against the plan."
    ordered = sorted(measured_daily_ah)
    mean, most = sum(ordered) / len(ordered), ordered[-1]
    ratio = mean / planned_ah if planned_ah > 0 else 0.0
    if ratio > 1 + CLOSE:
        verdict = f"{100 * (ratio - 1):.0f} % more than planned: find the consumer that the plan forgot, or plan for more"
    elif ratio < 1 - CLOSE:
        verdict = f"{100 * (1 - ratio):.0f} % less than planned: the plan is on the safe side"
    else:
        verdict = "close to the plan"
    return f"Measured over {len(ordered)} days: {mean:.1f} Ah a day on average, {most:.1f} Ah at most; planned were {planned_ah:.1f} Ah. That is {verdict}."
