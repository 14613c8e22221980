"""What is said for whoever reads: in the numbers of the newest reading, and how long kept details may serve for it."""

import pytest

from analytics.assessment import Assessment, Details, Due, Finding, Forecast, Learned, Load
from analytics.battery import Battery
from analytics.gist import Gist, gist_of
from analytics.sentences import BY_REST, sentences_of
from tests.analytics.lives import DAY_MS, HOUR_MS, START_MS, agm, folded, resting, sentences, view_of_now

DETAILS = Details(
    START_MS, "stored", Forecast(50.0, START_MS + 3 * DAY_MS, None, "charge balance"), Load(0.03, 0.02, 0.04, START_MS, "rest voltage slope"),
    (Due("check", START_MS + DAY_MS, "a rest voltage is looked at once a month"),),
    exposure=(("freezing_point_c", -20.0), ("freezing_margin_k", 35.0)),
    ageing=(("watched_days", 90.0), ("days_between_charges_new", 2.0), ("days_between_charges_now", 1.0), ("out_ah_between_charges_new", 40.0),
            ("out_ah_between_charges_now", 20.0), ("service_left_earliest_years", 2.0), ("service_left_latest_years", None)),
)  # fmt: skip


def about(
    pct: float, details: Details = DETAILS, *, half: float = 4.0, current_a: float | None = None, celsius: float | None = 12.0
) -> Assessment:
    return Assessment("heron", START_MS, 12.5, current_a, celsius, pct, pct - half, pct + half, "resting", None, details)


def test_sentences_agree_with_the_newest_numbers_and_the_time_of_reading() -> None:
    """Hours after the details: charge, days ahead, what is overdue and the margin to freezing are those of now."""
    said = sentences_of(agm(), about(61.0), START_MS + 2 * HOUR_MS)
    assert said[:4] == (
        "The battery is 61 % charged (57 to 65 %), in storage.",
        "It reaches its limit of 50 % in 3 days at the earliest.",
        "About 30 mA (20 mA to 40 mA) is always taken from it, since 1 November.",
        "Frost is no danger to it now.",
    )
    assert said[4] == "The monthly check is due in 22 hours: a rest voltage is looked at once a month."
    assert said[-2].startswith("It now gives 20 Ah between charges and is recharged every 1.0 days")
    assert said[-1] == "At this use its cycles last another 2 to more than 20 years; age and heat may end it sooner."
    later = sentences_of(agm(), about(40.0, current_a=-0.03, celsius=-20.0), START_MS + 4 * DAY_MS)
    assert later[0] == "The battery is 40 % charged (36 to 44 %), in storage."
    assert later[1] == "It is below its limit of 50 %."
    assert "hides it" in later[2]
    assert later[3].startswith("Freezing is ")
    assert "is overdue by 3 days" in later[4]


def test_below_the_limit_and_below_freezing_are_said_as_they_are() -> None:
    """What stands below its limit is not said to be on no way to it, and no frost is less than nothing away."""
    still = DETAILS._replace(forecast=Forecast(50.0, None, None, "rest voltage slope"))
    assert sentences_of(agm(), about(61.0, still), START_MS)[1] == "It does not fall towards its limit."
    said = sentences_of(agm(), about(40.0, still, celsius=-25.0), START_MS)
    assert said[1] == "It is below its limit of 50 %."
    gone = DETAILS._replace(forecast=Forecast(50.0, START_MS, START_MS, "charge balance"))
    assert [sentences_of(agm(), about(pct, gone), START_MS)[1] for pct in (40.0, 49.0)] == [
        said[1],
        "It may be below its limit of 50 % already.",
    ]
    assert said[3].startswith("At -25 °C it may freeze: acid this weak does at about -2")


def test_before_the_first_judgement_nothing_is_said() -> None:
    """Nothing yet is nothing, and not a sentence about zero."""
    assert sentences_of(agm(), about(61.0, Details(0)), START_MS) == ()


def test_a_charge_that_only_rest_voltages_tell_is_said_as_they_tell_it() -> None:
    """Where the estimate knows next to nothing the daily rest voltages speak; without them the charge is unknown."""
    rested = DETAILS._replace(learned=(Learned(BY_REST, 54.0, 49.0, 58.0),))
    assert sentences_of(agm(), about(50.0, rested, half=40.0), START_MS)[0] == "The battery is 54 % charged (49 to 58 %), in storage."
    assert sentences_of(agm(), about(50.0, half=40.0), START_MS)[0] == "The battery is of unknown charge, in storage."
    state, _ = folded(agm(), resting(agm(), 6, 60))
    assert sentences(state)[0].startswith("The battery is 6")


def forecast(earliest_h: float | None, latest_h: float | None = None, basis: str = "charge balance") -> Forecast:
    early_ms, late_ms = (None if h is None else START_MS + round(h * HOUR_MS) for h in (earliest_h, latest_h))
    return Forecast(50.0, early_ms, late_ms, basis)


@pytest.mark.parametrize(
    ("kept", "new", "told"),
    [
        ({}, {}, True),
        ({}, {"mode": "in use"}, False),
        ({}, {"charging": True}, False),
        ({}, {"rested": True}, False),
        ({"named_pct": 70.0}, {"named_pct": 69.0}, True),
        ({"named_pct": 70.0}, {"named_pct": 68.5}, False),
        ({"named_pct": 70.0}, {}, True),
        ({}, {"forecast": forecast(None)}, False),
        ({"forecast": forecast(72, 100)}, {"forecast": forecast(66, 105)}, True),
        ({"forecast": forecast(72, 100)}, {"forecast": forecast(60, 100)}, False),
        ({"forecast": forecast(72, 100)}, {"forecast": forecast(72, 70)}, False),
        ({"forecast": forecast(72, 100)}, {"forecast": forecast(72)}, False),
        ({"forecast": forecast(72)}, {"forecast": forecast(72, None, "rest voltage slope")}, False),
        ({"forecast": forecast(2)}, {"forecast": forecast(1.5)}, False),
        ({"forecast": forecast(0)}, {"forecast": forecast(-1)}, True),
    ],
)
def test_kept_details_serve_until_a_person_would_act_otherwise(kept: dict[str, object], new: dict[str, object], told: bool) -> None:
    """Another use, a charge that begins, a forecast that moves by more than an eighth of the time left; not a reason why none can be told."""
    quiet = Gist("stored", False, False, None, None)
    assert quiet._replace(**new).still_told_by(quiet._replace(**kept), START_MS) is told  # type: ignore[arg-type]


def test_with_a_finding_of_more_than_low_priority_every_figure_counts() -> None:
    """Something is to be done soon: no older details serve. One of low priority waits, as long as the charge it may name holds."""
    state, _ = folded(Battery("heron", "agm", 100.0, initial_state_of_charge_pct=80.0), resting(agm(), 1, 80))
    view = view_of_now(state)
    low = Finding("check_due", "low", "Check it", "", "", "", "", (), "judgement: test")
    assert gist_of(view, (low, low._replace(priority="medium"))) is None
    quiet, waiting = gist_of(view, ()), gist_of(view, (low,))
    assert quiet is not None
    assert waiting == quiet._replace(named_pct=view.pct)
    assert quiet.serves_ms > quiet._replace(charging=True).serves_ms
