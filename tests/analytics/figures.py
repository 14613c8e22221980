"""What the analytics makes of some lives, figure by figure: `python -m tests.analytics.figures` writes tests/golden/figures/ anew.

The lives are made by hand from a battery of four equations (charge, resistance, polarisation of two hours, acceptance); no claim of
truth is made here, tests/score and tests/truth do that. Who changes a figure on purpose writes it anew and reads the difference.
"""

import json
import sys
from collections.abc import Iterator
from math import exp
from pathlib import Path
from typing import Any

from analytics.assessment import AlertEvent, Details
from analytics.battery import Battery, ChargeWindow, Sensor
from analytics.budget.answer import answer
from analytics.budget.candidates import weighed
from analytics.budget.plan import Burst, Candidate, ChargerOnBoard, Consumer, Installed, Inverter, Plan, Sunlight, Tray
from analytics.budget.sentences import against_measured, sentences_of
from analytics.core import State, begin, step
from analytics.estimate import interval
from analytics.fold import silence
from analytics.keep import KEPT, dumps, loads
from analytics.reading import Input, Note, Reading, on_the_grid
from analytics.rules.rule import HOLD, finding_of
from analytics.story import story
from analytics.view import View
from tests.analytics.lives import HOUR_MS, START_MS, rest_v, sentences
from tests.analytics.test_limits_rules import CASES
from tests.analytics.test_thresholds import BY_ID, CHARGES

FOLDER = Path(__file__).parents[1] / "golden" / "figures"
OWN_TABLE = tuple((10.0 * k, 11.70 + 0.12 * k + 0.001 * k * k) for k in range(11))
Act = tuple[Any, ...]
"""draw h A | hold h V most_A | silence h A | every minutes | air °C | swap % | shows current|voltage|stuck|turned | note kind value | look."""

SUNNY: list[Act] = [("draw", 7.5, -0.6), ("hold", 2.5, 14.4, 3.0), ("draw", 0.2, -1.5), ("hold", 3.0, 14.4, 7.0), ("draw", 2.0, -0.8)]
EVENING: list[Act] = [("draw", 2.0, -3.1), ("draw", 0.15, -48.0), ("draw", 1.0, -5.2), ("draw", 2.0, -1.2), ("draw", 3.65, -0.5)]
DRIVE: list[Act] = [("hold", 1.5, 14.3, 35.0), ("draw", 0.3, -2.0), ("hold", 0.7, 14.3, 35.0), ("draw", 0.6, -0.5)]
LIVES: dict[str, tuple[Battery, float, float, list[Act]]] = {
    "tour": (
        Battery("tour", "agm", 100.0, sensor=Sensor(current_gain_pct=1.0, current_offset_a=0.1), rated_cycles=600.0, response_in_use_h=3.0),
        88.0, 74.0,
        [("every", 2), *EVENING, *SUNNY, ("look",), ("air", 8.0), *EVENING, ("silence", 5.0, -0.5), *SUNNY, *EVENING, ("look",), ("draw", 9.0, -4.6),
         ("look",), ("draw", 6.0, -4.6), ("look",), ("draw", 5.0, 0.0), ("hold", 14.0, 14.5, 20.0), ("look",), ("hold", 30.0, 13.6, 20.0), ("every", 15),
         ("note", "mode", "stored"), ("draw", 120.0, -0.12), ("look",), ("note", "check", 12.61), ("draw", 50.0, -0.12), ("look",)],
    ),
    "stored": (
        Battery("stored", "flooded", 80.0, initial_state_of_charge_pct=90.0, rest_voltage_table=OWN_TABLE, next_hire="2027-01-04"),
        80.0, 91.0,
        [("shows", "voltage"), ("every", 30), ("air", 6.0), ("draw", 200.0, -0.10), ("look",), ("note", "coldest", -14.0), ("draw", 170.0, -0.10), ("look",),
         ("air", -4.0), ("draw", 150.0, -0.05), ("look",), ("silence", 60.0, -0.05), ("draw", 30.0, -0.05), ("hold", 16.0, 14.6, 8.0), ("look",),
         ("hold", 5.0, 15.5, 4.0), ("hold", 26.0, 13.6, 4.0), ("look",), ("draw", 90.0, -0.03), ("look",), ("note", "charged", None), ("draw", 400.0, -0.09), ("look",)],
    ),
    "lithium": (
        Battery("lithium", "lifepo4", 100.0, sensor=Sensor(current_offset_a=0.05), burst_limit_a=120.0),
        82.0, 55.0,
        [("shows", "counter"), ("every", 2), *EVENING, ("hold", 5.0, 14.2, 30.0), ("look",), ("hold", 4.0, 13.5, 30.0), *EVENING, ("air", -6.0), ("hold", 2.0, 14.2, 12.0),
         ("look",), ("air", 12.0), ("draw", 12.0, -5.6), ("silence", 7.0, -1.0), ("draw", 3.0, -0.2), ("look",), ("every", 20), ("draw", 260.0, -0.11), ("look",),
         ("draw", 5.0, -8.0), ("draw", 10.0, -0.1), ("look",), ("hold", 9.0, 14.2, 25.0), ("draw", 30.0, -0.3), ("look",)],
    ),
    "unseen": (
        Battery("unseen", "lifepo4", 60.0, initial_state_of_charge_pct=70.0), 57.0, 68.0,
        [("shows", "voltage"), ("every", 10), *EVENING, ("draw", 40.0, -0.4), ("look",), ("hold", 7.0, 14.3, 9.0), ("hold", 5.0, 13.5, 9.0), ("look",), ("draw", 60.0, -0.5),
         ("silence", 20.0, -0.5), ("draw", 12.0, -0.5), ("look",)],
    ),
    "wrong": (
        Battery("wrong", "gel", 120.0, charge_window=ChargeWindow(float_high_v=13.9, max_charge_current_a=30.0), sensor=Sensor(current_offset_a=0.2)),
        115.0, 60.0,
        [("every", 5), ("air", 36.0), ("hold", 9.0, 15.1, 38.0), ("look",), ("draw", 10.0, -2.0), *DRIVE, *DRIVE, ("draw", 9.0, -1.0), *DRIVE, ("look",), ("air", 2.0),
         ("draw", 14.0, -2.5), ("hold", 12.0, 13.85, 14.0), ("look",), ("draw", 24.0, -1.0), ("air", 18.0), ("hold", 60.0, 14.1, 15.0), ("look",), ("shows", "turned"),
         ("draw", 6.0, -3.0), *EVENING, *EVENING, ("look",)],
    ),
    "faulty": (
        Battery("faulty", "agm", 100.0, reading_interval_s=300.0, sensor=Sensor(current_offset_a=0.02)), 95.0, 80.0,
        [("every", 5), *EVENING, *SUNNY, ("shows", "stuck"), *EVENING, *SUNNY, *EVENING, ("look",), ("shows", "current"), ("air", 85.0), ("draw", 5.0, -1.0), ("air", 20.0),
         ("draw", 30.0, -0.3), ("look",), ("silence", 80.0, -0.2), ("draw", 10.0, -0.2), ("look",), ("note", "replaced", None), ("draw", 20.0, -0.2),
         ("note", "forget", "all"), ("draw", 5.0, -3.0), ("look",)],
    ),
    "aged": (
        Battery("aged", "efb", 100.0, rest_voltage_table=OWN_TABLE, sensor=Sensor(current_offset_a=0.03), rated_cycles=200.0, rated_cycles_depth_pct=80.0),
        64.0, 95.0,
        [("every", 15), ("draw", 4.0, -0.1), ("hold", 20.0, 14.7, 18.0),
         *(act for n in range(9) for act in [("air", 20.0 - n), ("draw", 6.0 + n, -3.6), ("draw", 13.0, -0.05), ("draw", 3.0, -3.0), ("draw", 14.0, -0.04),
                                             ("hold", 17.0, 14.7, 18.0), *([("look",)] if n % 4 == 0 else [])]),
         ("draw", 20.0, -0.02), ("hold", 4.0, 14.7, 18.0), ("every", 60), ("draw", 700.0, -0.01), ("look",)],
    ),
    "winter": (
        Battery("winter", "agm", 100.0, coldest_expected_c=-8.0, rated_hours=5.0), 92.0, 80.0,
        [("every", 30), ("air", 3.0), ("hold", 110.0, 13.6, 6.0), ("look",), ("draw", 100.0, -0.02), ("silence", 900.0, -0.01), ("draw", 20.0, -0.3), ("look",),
         ("draw", 14.0, -4.2), ("air", -16.0), ("draw", 60.0, -0.1), ("look",), ("draw", 120.0, -0.02), ("swap", 88.0), ("draw", 130.0, -0.02), ("look",),
         ("air", 4.0), *(act for _ in range(6) for act in [("draw", 14.0, -0.8), ("hold", 5.0, 14.0, 2.2)]), ("look",)],
    ),
}  # fmt: skip
"""Battery, true capacity, true state of charge, what happens."""
EVERY = (*LIVES, "plans", "findings")
USES = (
    Consumer("fridge", 24, current_a=4.2, duty_pct=35), Consumer("lamps", 4, power_w=9, count=5), Consumer("screen", 3, power_w=60, via_inverter=True),
)  # fmt: skip
BURSTS = (Burst("mover", 90, current_a=70, per_day=0.5), Burst("kettle", 240, power_w=1200, per_day=2, via_inverter=True))
PLANS = (
    Plan("bare", USES),
    Plan("summer", USES, BURSTS, Inverter(86, 9, 5), Sunlight(47, 7, 300, 55), ChargerOnBoard(30, 14.4, 13.6), Installed("agm", 190, health_pct=90), days_away=9),
    Plan("south", USES, (), Inverter(), Sunlight(-34, 6, 120), ChargerOnBoard(25), Installed("flooded", 55, 5, 300, 60, 40), temperature_c=4, days_a_year=150),
    Plan("lithium", USES, BURSTS, Inverter(90, 6, 24), None, ChargerOnBoard(60, 14.4), Installed("lifepo4", 200, burst_limit_a=150), Tray(520, 270, 230, 30),
         24.0, 4, 365, temperature_c=-5, margin_pct=10, usable_depth_pct=85, end_of_life_pct=70),
    Plan("at home", USES, BURSTS[:1], battery=Installed("gel", 80, resistance_ohm=0.006, rated_cycles=500), hook_up=True, days_away=0.5),
)  # fmt: skip
OFFERED = [
    Candidate("long", "agm", 120, 20, 260, 400, 50, 530, 175, 190, 36, 90), Candidate("turned", "agm", 100, 5, 240, None, None, 180, 350, 190, 29, 140),
    Candidate("high", "gel", 110, 20, 300, 600, 60, 350, 175, 240, 34), Candidate("light", "lifepo4", 200, 5, 700, 3000, 80, 340, 170, 210, 22, 200),
    Candidate("heavy", "lifepo4", 300, 5, 999, None, None, 500, 260, 220, 33, 200), Candidate("unmeasured", "flooded", 230, 20, 180),
]  # fmt: skip


def lived(battery: Battery, true_ah: float, pct: float, acts: list[Act]) -> Iterator[Input | None]:
    """What the sensor says of it; None where to look."""
    ohm = 0.0012 * battery.cells * (100 / true_ah) * (1.0 if battery.kind.lead_acid else 0.5)
    at_ms, soc, slow_v, every_h, celsius, shows, counter_ah, count = START_MS, pct / 100, 0.0, 1 / 60, 15.0, "current", 0.0, 0
    stuck_a = 0.0
    for name, *figures in acts:
        if name == "every":
            every_h = figures[0] / 60
        elif name == "air":
            celsius = figures[0]
        elif name == "swap":
            soc = figures[0] / 100
        elif name == "shows":
            shows = figures[0]
        elif name == "note":
            yield Note(battery.id, at_ms, *figures)
        elif name == "look":
            yield None
        elif name == "silence":
            soc += figures[1] * figures[0] / true_ah
            counter_ah += figures[1] * figures[0]
            slow_v *= exp(-figures[0] / 2)
            yield from silence(battery.id, at_ms, at_ms + round(figures[0] * HOUR_MS))
            at_ms += round(figures[0] * HOUR_MS)
        else:
            for _ in range(round(figures[0] / every_h)):
                at_ms, count = at_ms + round(every_h * HOUR_MS), count + 1
                weak = ohm * (1 + 1.5 * (1 - soc) ** 2)
                rest = rest_v(battery, 100 * soc) - 0.05 * battery.cells * exp(-30 * max(0.0, soc)) + slow_v
                if name == "hold":
                    takes_a = max(0.0, 1 - soc) * true_ah / (2.4 if battery.kind.lead_acid else 0.3) + 0.001 * true_ah
                    amps = max(0.0, min((figures[1] - rest) / weak, figures[2], takes_a))
                    volts = min(figures[1], rest + amps * weak) if amps == figures[2] else figures[1]
                else:
                    amps = figures[1]
                    volts = rest + amps * weak
                soc = min(1.0, soc + amps * (0.98 if amps > 0 else 1.0) * every_h / true_ah)
                counter_ah += amps * every_h
                slow_v += (1.2 * weak * amps - slow_v) * (1 - exp(-every_h / 2))
                shown_a = amps + 0.04 + 0.01 * (count * 5 % 3 - 1)
                stuck_a = stuck_a if shows == "stuck" else shown_a
                says_a = {"voltage": None, "turned": -shown_a, "stuck": stuck_a}.get(shows, shown_a)
                ah = counter_ah if shows == "counter" else None
                yield on_the_grid(Reading(battery.id, at_ms, volts + 0.002 * (count * 7 % 3 - 1), says_a, celsius, ah))


def figures_of(name: str) -> list[Any]:
    """Every event of a life in its order, and what is believed and said at each look; of `plans` every answer, of `findings` every word. Plain values of JSON."""
    if name == "plans":
        return [_answered(plan) for plan in PLANS]
    if name == "findings":
        return [_found(rule, *made()) for rule, says, made in [*CHARGES, *CASES] if says == "speaks"]
    battery, true_ah, pct, acts = LIVES[name]
    state, told, marked = begin(battery), [], []
    for given in lived(battery, true_ah, pct, acts):
        if given is None:
            told.append(_looked(state))
        else:
            state, outcome = step(state, given)
            told += [_event(event) for event in outcome.events]
            marked.append(outcome._replace(events=()))
    return [*told, {"story": list(story(marked, state))}]


def _answered(plan: Plan) -> dict[str, Any]:
    found = answer(plan)
    return {
        "plan": plan.name,
        "answer": _plain(found._replace(plan=plan.name)),  # type: ignore[arg-type]
        "sentences": list(sentences_of(found)),
        "offered": [_plain([one.candidate.name, one.objections, *one[1:]]) for one in weighed(OFFERED, found)],
        "measured": [
            against_measured(found.planned_ah, [part * found.planned_ah for part in parts])
            for parts in ((0.7, 0.9, 1.0), (1, 1.2, 1.5, 1.4))
        ],
    }


def _found(rule: str, view: View, standing: bool) -> dict[str, Any]:
    judged = BY_ID[rule].judge(view, standing)
    assert judged is not None
    assert judged is not HOLD
    finding = finding_of(judged)
    return {"finding": rule, "words": [*finding[1:6], BY_ID[rule].over(view)], "evidence": _plain(dict(finding.evidence))}


def _event(event: AlertEvent) -> dict[str, Any]:
    finding = event.finding
    return {
        "event": f"{event.rule} {event.kind} after {(event.at_ms - START_MS) / HOUR_MS:.2f} h, {event.priority}: {event.reason}",
        "words": [finding.title, finding.seen, finding.meaning],
        "evidence": _plain(dict(finding.evidence)),
    }


def _looked(state: State) -> dict[str, Any]:
    details: Details = state.details
    kept = loads(state.battery, dumps(state))
    said = details._replace(findings=())._asdict() | {"sentences": sentences(state)}
    said.update({part: [tuple(one) for one in said[part]] for part in ("learned", "dues")})
    said.update({part: dict(said[part]) for part in ("exposure", "session", "ageing")})
    return {
        "interval": _plain(interval(state.model, state.belief)),
        "findings": [f"{f.rule} {f.priority}" for f in details.findings],
        **{f"said {part}": _plain(value) for part, value in said.items()},
        **{f"kept {part}": _plain(getattr(kept, part)) for part in KEPT},
    }


def _plain(value: Any) -> Any:
    """Six digits of a number; a named tuple by its fields, without what is as it began; evidence without what is not known."""
    if isinstance(value, float):
        return float(f"{value:.6g}")
    if hasattr(value, "_asdict"):
        usual = getattr(value, "_field_defaults", {})
        return {field: _plain(one) for field, one in value._asdict().items() if field not in usual or usual[field] != one}
    if isinstance(value, dict):
        return {field: _plain(one) for field, one in value.items() if one is not None}
    return [_plain(one) for one in value] if isinstance(value, tuple | list) else value


def written(figures: list[Any]) -> str:
    """JSON, a line for each part, so that a difference can be read."""
    looks = [",\n".join(f"{json.dumps(part)}: {json.dumps(value, ensure_ascii=False)}" for part, value in look.items()) for look in figures]
    return "[" + ",\n".join(f"{{{look}}}" for look in looks) + "]\n"


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for life in sys.argv[1:] or EVERY:
        (FOLDER / f"{life}.json").write_text(written(figures_of(life)), encoding="utf-8")
