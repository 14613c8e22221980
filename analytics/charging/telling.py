"""The words that all charging findings share: volts, times, gaps, certainty, likely cause, cautions. No judgement of its own."""

from datetime import UTC, datetime

from analytics.assessment import Evidence
from analytics.battery import Battery
from analytics.cautions import CAUTIONS
from analytics.charging import window
from analytics.charging.memory import Session
from analytics.chemistries import CHEMISTRIES

STALE_MS = 14 * 86_400_000
"""Judgement: what an ended charge showed is told for two weeks; after that the next charge must show it again."""
LITHIUM = {"hot": "lithium_hot", "hydrogen": "lithium_hot"}
"""Lithium cells have no water to split: what to fear of them is a fire."""
COMMON = "common practice, no source"


def relevant(session: Session | None, now_ms: int) -> Session | None:
    """The session that may be judged: the running one, or the last if it is not long over."""
    return None if session is None or (session.over and now_ms - session.end_ms > STALE_MS) else session


def clock(at_ms: int) -> str:
    """A time in words: 3 May 2026, 14:20 UTC."""
    at = datetime.fromtimestamp(at_ms / 1000, UTC)
    return f"{at.day} {at:%B %Y, %H:%M} UTC"


def span_of(ms: float) -> str:
    """A duration in words."""
    minutes = ms / 60_000
    if minutes < 90:
        return f"{minutes:.0f} minutes"
    return f"{minutes / 60:.1f} hours" if minutes < 48 * 60 else f"{minutes / 1440:.0f} days"


def warmth(temperature_c: float | None) -> str:
    return "an unknown temperature" if temperature_c is None else f"{temperature_c:.0f} °C"


def doubts(battery: Battery, session: Session) -> str:
    """What this session could not show: no current sensor, no temperature, a gap. Empty if nothing is missing."""
    said = []
    if session.charge_ah is None:
        said.append("There is no current reading, so this rests on the voltage alone.")
    if battery.kind.lead_acid and session.coldest_c is None:
        said.append("There is no temperature reading, so the limit has been set generously.")
    if session.unseen_ms > 0:
        said.append(f"For {span_of(session.unseen_ms)} of this charge nothing was heard; what happened then is not known.")
    return "".join(" " + s for s in said)


def evidence(session: Session, *more: tuple[str, float | int | str | None]) -> Evidence:
    """The figures of the finding, then those of the session."""
    return (
        *more,
        ("charge_began", clock(session.begin_ms)),
        ("charge_last_seen", clock(session.end_ms)),
        ("charge_ah", None if session.charge_ah is None else round(session.charge_ah, 1)),
        ("unseen_minutes", round(session.unseen_ms / 60_000)),
        ("judged_by", "voltage only" if session.charge_ah is None else "voltage and current"),
    )


def caution(battery: Battery, *keys: str) -> str:
    """The safety sentences: these as they apply to this kind, then those that always go with charging it."""
    own = keys if battery.kind.lead_acid else tuple(LITHIUM.get(k, k) for k in keys)
    every = dict.fromkeys((*own, *battery.kind.cautions, "advice"))
    return " ".join(CAUTIONS[k] for k in every if k in CAUTIONS)


def source_of(battery: Battery, own: float | None, source: str) -> str:
    """The maker's value where the owner declared one, else the chemistry's source."""
    return source if own is None else "the battery maker's value, as declared by the owner"


def likely_cause(battery: Battery, voltage_v: float, temperature_c: float | None) -> str:
    """Whose charging profile this voltage looks like."""
    at_25_v = window.at_25_c(battery, voltage_v, temperature_c)
    low_v, high_v = window.absorption_low_v(battery), window.absorption_high_v(battery)
    hot = temperature_c is not None and temperature_c >= 33
    if at_25_v > high_v and hot and voltage_v <= high_v:
        return "the charger does not lower its voltage in warmth (missing temperature compensation)"
    if at_25_v > high_v + 0.07 * battery.cells:
        return "an equalisation or reconditioning programme, or a broken regulator"
    cells = 6 if battery.cells == 4 and not battery.kind.lead_acid else battery.cells
    names = {"flooded": "flooded batteries", "agm": "AGM batteries", "gel": "gel batteries", "lifepo4": "lithium (LiFePO4) batteries"}
    for name, words in names.items():
        band = CHEMISTRIES[name].absorption
        n = cells if CHEMISTRIES[name].lead_acid else max(1, round(cells * 2 / 3))
        fits = band.low * n - 0.05 <= at_25_v <= band.high * n + 0.05
        if name != battery.chemistry and fits and not (low_v <= at_25_v <= high_v):
            return f"the charger is set to a profile for {words}"
    return "a charger of the wrong kind or a wrong setting" if at_25_v > high_v else "a charger with too low a setting, or long thin cables"
