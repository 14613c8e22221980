"""The running or last charge in figures and words: what API, page and record show of it. The kind of charger is told only where data can."""

from analytics.assessment import Evidence
from analytics.battery import Battery
from analytics.charging import window
from analytics.charging.memory import ChargingMemory, Session
from analytics.charging.sessions import is_full


def kind_of_charger(battery: Battery, session: Session) -> str:
    """staged mains or DC-DC charger | fixed-voltage supply | solar or varying source | pulsed source | unknown."""
    if session.pulses >= 3:
        return "pulsed source (smart alternator or pulse programme)"
    if session.absorption_ms >= 1_800_000 and session.float_ms >= 1_800_000:
        return "charger with stages" if session.breaks < 4 else "source that comes and goes, with stages (solar or while driving)"
    if session.breaks >= 4:
        return "source that comes and goes (solar or while driving)"
    if session.absorption_v is None or session.absorption_ms < 3 * 3_600_000:
        return "unknown: too little has been seen"
    if session.float_ms == 0 and abs(window.at_25_c(battery, session.absorption_v, session.absorption_c) - 13.8 / 6 * battery.cells) < 0.25:
        return "fixed-voltage supply"
    return "unknown: one voltage seen, no float yet"


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
        ("charger", kind_of_charger(battery, session)),
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
