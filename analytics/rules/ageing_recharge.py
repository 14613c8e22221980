"""It needs recharging more often than when the readings began: the oldest sign of a fading battery."""

from analytics.ageing.telling import FADING_MS, oftener
from analytics.assessment import Finding
from analytics.charging import telling
from analytics.rules.rule import Judgement, Rule
from analytics.view import View


def judge(view: View, standing: bool) -> Judgement:
    life = view.ageing.life
    said = None if life is None else oftener(life.new, life.now)
    if life is None or said is None or view.now_ms - life.begun_ms < FADING_MS:
        return None  # within weeks it is the weather or the habit of a tour, not age
    return Finding(
        "ageing_recharge",
        "low",
        "It needs charging more often than before",
        said,
        "Less charge between recharges at the same use means lost capacity, a charge that does not finish, or another habit of use. "
        "This is seen over many charges, not over one.",
        "Give it a full charge from the mains; if it does not get better, have its capacity tested.",
        telling.caution(view.battery),
        (
            ("out_ah_between_charges_new", life.new.out_ah),
            ("out_ah_between_charges_now", life.now.out_ah),
            ("days_between_charges_new", life.new.days),
            ("days_between_charges_now", life.now.days),
        ),
        "judgement: three quarters of the charge given between recharges when new, means of eight charges",
    )


def over(view: View) -> str:
    return "It gives about as much between charges as before."


AGEING_RECHARGE = Rule("ageing_recharge", 0, 86_400, judge, over)
