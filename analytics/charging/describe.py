"""The running or last charge in figures and words: what API, page and record show of it. The kind of charger is told only where data can."""

from analytics.assessment import Evidence
from analytics.battery import Battery
from analytics.charging import window
from analytics.charging.memory import ChargingMemory, Session
from analytics.charging.sessions import DRIVE_MS, all_at_once, is_full

PLUGGED_MS = 16 * 3_600_000
"""Judgement: neither the sun nor an engine charges for so long without a break."""
SUPPLY_V, SUPPLY_WITHIN_V = 13.8, 0.15
"""At 12 V: what fixed supplies are set to (common practice, no source)."""
SOON_MS = 900_000
"""Judgement: an alternator gives what the battery takes, so it stands at its voltage at once; a charger first gives its one current."""
CANNOT_TELL = "cannot tell"


def kind_of_charger(battery: Battery, session: Session, drives: int = 0) -> str:
    """What gives the charge, where its shape can tell; else "cannot tell" and why. `drives`: charges like drives in a row before this one."""
    lasted_ms = session.end_ms - session.begin_ms
    staged = session.absorption_ms >= 600_000 and session.float_ms >= 600_000
    if session.pulses >= 3 or (session.swings >= 6 and session.swings * 3_600_000 >= 3 * lasted_ms):
        driving = drives >= 1 and lasted_ms <= DRIVE_MS
        return (
            "smart alternator (its current comes and goes while driving)"
            if driving
            else "source in pulses (smart alternator or a maintenance programme)"
        )
    if lasted_ms >= PLUGGED_MS and session.breaks <= 3:
        if staged:
            return "mains charger with stages"
        return "fixed-voltage supply" if _supply(battery, session) else f"{CANNOT_TELL}: plugged in for long, one voltage seen"
    at_once = all_at_once(battery, session)
    if at_once is None:
        return (
            f"{CANNOT_TELL}: no current is measured, or too little of it" if lasted_ms < PLUGGED_MS else f"{CANNOT_TELL}: it comes and goes"
        )
    if not at_once:
        return "solar" if session.bulk_ms >= 1_800_000 and lasted_ms < PLUGGED_MS else f"{CANNOT_TELL}: the current grew little by little"
    if drives >= 2 and lasted_ms <= DRIVE_MS:
        if staged:
            return "DC-DC charger (a charger with stages, while driving)"
        at_its_voltage = session.absorption_ms >= 3_600_000 and session.bulk_ms <= SOON_MS
        if at_its_voltage and battery.kind.lead_acid:
            return "alternator (one voltage, while driving)"
        return f"{CANNOT_TELL}: alternator or DC-DC charger, while driving"
    if _supply(battery, session) and session.absorption_ms >= 3 * 3_600_000:
        return "fixed-voltage supply"
    return f"{CANNOT_TELL}: " + ("a charger with stages, from the mains or while driving" if staged else "too little has been seen")


def _supply(battery: Battery, session: Session) -> bool:
    """Whether one voltage near that of a fixed supply has been held, as measured: such supplies do not follow the temperature."""
    held_v = session.absorption_v
    cells_12v = battery.kind.cells_12v
    supply_v, within_v = SUPPLY_V / cells_12v * battery.cells, SUPPLY_WITHIN_V / cells_12v * battery.cells
    if held_v is None or session.float_ms >= 600_000 or abs(held_v - supply_v) > within_v:
        return False
    absorbing = (
        window.absorption_low_v(battery) <= window.at_25_c(battery, held_v, session.absorption_c) <= window.absorption_high_v(battery)
    )
    return (
        not absorbing or session.absorption_c is None or abs(session.absorption_c - window.BASE_C) < 8
    )  # or a charger that follows the heat


def evidence_of(battery: Battery, memory: ChargingMemory) -> Evidence:
    """Phases, set-points and times of the running or last session; empty before the first."""
    session = memory.session
    if session is None:
        return ()

    def at_25(volts: float | None, celsius: float | None) -> float | None:
        return None if volts is None else round(window.at_25_c(battery, volts, celsius), 2)

    def hours(ms: int) -> float:
        return round(ms / 3_600_000, 2)

    return (
        ("began_ms", session.begin_ms),
        ("last_seen_ms", session.end_ms),
        ("running", "no" if session.over else "yes"),
        ("charger", kind_of_charger(battery, session, memory.drives)),
        ("began_at_pct", session.begin_pct),
        ("charge_ah", session.charge_ah),
        ("bulk_h", hours(session.bulk_ms)),
        ("absorption_h", hours(session.absorption_ms)),
        ("float_h", hours(session.float_ms)),
        ("equalisation_h", hours(session.equalisation_ms)),
        ("largest_current_a", session.peak_a),
        ("absorption_v", session.absorption_v),
        ("absorption_at_25_c_v", at_25(session.absorption_v, session.absorption_c)),
        ("tail_current_a", session.tail_a),
        ("float_v", session.float_v),
        ("float_at_25_c_v", at_25(session.float_v, session.float_c)),
        ("float_current_a", session.float_a),
        ("equalisation_v", session.equalisation_v),
        ("compensation_mv_per_k_and_cell", _compensation(battery, session)),
        ("coldest_c", session.coldest_c),
        ("hottest_c", session.hottest_c),
        ("unseen_h", hours(session.unseen_ms)),
        ("finished", "yes" if is_full(battery, session) else "not seen"),
        ("judged_by", "voltage only" if session.charge_ah is None else "voltage and current"),
    )


def _compensation(battery: Battery, session: Session) -> float | None:
    """Measured where the temperature changed by 6 K or more within one stage."""
    if session.cool_c is None or session.warm_c is None or session.cool_v is None or session.warm_v is None:
        return None
    spread_k = session.warm_c - session.cool_c
    return None if spread_k < 6 else round(1000 * (session.warm_v - session.cool_v) / spread_k / battery.cells, 1)
