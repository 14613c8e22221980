"""The outbox end to end on real databases: from committed events to what people get, across restarts and failures."""

from datetime import time
from itertools import count

import pytest
from pydantic import SecretStr

from analytics.assessment import AlertEvent, Assessment, Details, Finding
from analytics.batch import Batch
from analytics.battery import Battery
from api.database import Database
from api.ledger import SqlLedger
from api.outbox import Outbox
from api.people import Person, PushSettings, QuietTime
from api.ports import Message, PushFailed, PushRefused, Reached
from tests.databases import database, postgres_url  # noqa: F401 - fixtures

T0 = 1_790_000_000_000  # 2026-09-21T14:13:20Z
SECOND, HOUR, DAY = 1000, 3_600_000, 86_400_000


class Phone:
    """A channel that keeps what it gets; `mood` is an error to raise instead."""

    def __init__(self, name: str) -> None:
        self.name, self.got, self.mood = name, list[Message](), None

    mood: Exception | None

    def push(self, message: Message) -> None:
        if self.mood is not None:
            raise self.mood
        self.got.append(message)

    @property
    def titles(self) -> list[str]:
        return [message.title for message in self.got]


class House:
    """A ledger, people with phones, and a clock that tests move."""

    def __init__(self, base: Database, *people: Person, **more: object) -> None:
        self.now = T0
        self.ledger = SqlLedger(base)
        self.settings = PushSettings(people=people, **more)  # type: ignore[arg-type]
        self.phones = {f"{p.name}/1": Phone(f"{p.name}/1") for p in people}
        self.said: list[str] = []
        self.visitors: list[Person] = []
        self.reached = Reached((), {})
        self.restart()

    def reach(self) -> Reached:
        """Who has a phone now; the same object as long as nobody got or lost one."""
        if dict(self.reached.channels) != self.phones:
            known = {p.name: p for p in (*self.settings.people, *self.visitors)}
            self.reached = Reached(tuple(known.values()), dict(self.phones))
        return self.reached

    def restart(self) -> None:
        """What a process remembers is gone."""
        self.ledger = SqlLedger(self.ledger.database)
        self.outbox = Outbox(self.ledger, self.settings, self.reach, lambda: self.now, lambda: 1.0, self.said.append)

    def tells(self, *events: AlertEvent, late: bool = False) -> None:
        self.ledger.commit(Batch(late_events=list(events)) if late else Batch(events=list(events)))

    def later(self, ms: int = SECOND, step: int | None = None) -> None:
        """Time goes by, in steps, and the outbox works in each."""
        end = self.now + ms
        while self.now < end:
            self.now = min(end, self.now + (step or ms))
            self.outbox.plan_once()
            for name in self.phones:
                while self.outbox.send_once(name):
                    pass

    def titles(self, name: str = "Ana") -> list[str]:
        return self.phones[f"{name}/1"].titles


def person(name: str = "Ana", **more: object) -> Person:
    """Someone who is told of everything at once."""
    return Person.model_validate({"name": name, "urls": (SecretStr("terminal:"),), "digest_at": None, **more})


TITLES = {"low_voltage": "Battery low", "silence": "Silent for 20 hours", "forecast_low": "Falling"}


def event(
    kind: str, at: int, battery_id: str = "van1", rule: str = "low_voltage", priority: str = "medium", began: int | None = None
) -> AlertEvent:
    """A step in the life of an alert that began at `began` (after T0) or now."""
    start = T0 + (at if began is None else began)
    finding = Finding(rule, priority, TITLES[rule], f"{kind}: seen at 3.5 °C", "It means this.", "Do that.", "", (), "test")
    return AlertEvent(f"{battery_id}:{rule}:{start}", battery_id, rule, kind, T0 + at, priority, "reason", finding)


@pytest.fixture
def base(database: Database) -> Database:  # noqa: F811
    """A database with eight batteries of one gateway (their site) and one elsewhere."""
    ledger = SqlLedger(database)
    for n in range(1, 9):
        ledger.declare(Battery(f"van{n}", "agm", 100.0, site="Hull"), T0, "test")
    ledger.declare(Battery("far", "agm", 100.0, site="Leeds"), T0, "test")
    return database


def test_an_alert_is_told_and_its_end_too(base: Database) -> None:
    """One message when it begins, one when it ends, and the alert's history says who was told."""
    house = House(base, person())
    house.tells(event("began", 0))
    house.later()
    house.tells(event("ended", HOUR, began=0))
    house.later(HOUR)
    assert house.titles() == ["van1: Battery low", "Over: van1: Battery low"]
    assert "It means this." in house.phones["Ana/1"].got[0].text
    assert [(a.kind, a.who) for a in house.ledger.acts(event("began", 0).alert_id) if a.kind == "pushed"] == [("pushed", "Ana")] * 2
    assert [d.state for d in house.ledger.delivered(about=["van1"])] == ["sent", "sent"]


def test_nothing_is_told_twice_over_restarts(base: Database) -> None:
    """A restart between any two steps repeats nothing and forgets nothing."""
    house = House(base, person())
    house.tells(event("began", 0))
    house.restart()
    house.later()
    house.restart()
    house.later()
    house.tells(event("began", 0), event("ended", 5 * SECOND, began=0))
    house.restart()
    house.later()
    house.restart()
    house.later()
    assert house.titles() == ["van1: Battery low", "Over: van1: Battery low"]


def test_the_end_is_told_in_spite_of_a_shelf_and_of_new_filters(base: Database) -> None:
    """If the beginning was announced, the end is announced too: shelved, restarted, and with other settings."""
    house = House(base, person())
    house.tells(event("began", 0))
    house.later()
    house.ledger.shelve(event("began", 0).alert_id, house.now, house.now + DAY, "Ana", "known")
    house.settings = PushSettings(people=(person(priority="high", sites=("Leeds",)),))
    house.restart()
    house.tells(event("ended", HOUR, began=0))
    house.later(HOUR)
    assert house.titles() == ["van1: Battery low", "Over: van1: Battery low"]


def test_what_was_never_announced_has_no_end(base: Database) -> None:
    """Shelved from before it began, it is neither announced nor closed."""
    house = House(base, person())
    house.tells(event("began", 0), event("ended", SECOND, began=0))
    house.later()
    assert house.titles() == []
    house.tells(event("began", 10 * SECOND))
    house.ledger.shelve(event("began", 10 * SECOND).alert_id, house.now, house.now + DAY, "Ana", "known")
    house.later()
    house.tells(event("ended", HOUR, began=10 * SECOND))
    house.later(HOUR)
    assert house.titles() == []


def test_a_shelf_that_ends_is_followed_by_the_message(base: Database) -> None:
    """What began under a shelf and still holds when the shelf ends is told then, once."""
    house = House(base, person())
    house.tells(event("began", 0))
    house.ledger.shelve(event("began", 0).alert_id, house.now, house.now + HOUR, "Ana", "lunch")
    house.later(HOUR - SECOND, 600 * SECOND)
    assert house.titles() == []
    house.later(5 * SECOND, SECOND)
    assert house.titles() == ["van1: Battery low"]
    assert [a.kind for a in house.ledger.acts(event("began", 0).alert_id)] == ["began", "shelved", "unshelved", "pushed"]


def test_quiet_hours_hold_the_message_and_an_end_within_them_cancels_it(base: Database) -> None:
    """At night medium waits; what is over by the morning is never told; what is not is told in the morning."""
    night = QuietTime(begin=time(14), end=time(7))
    house = House(base, person(quiet=(night,)))
    house.tells(event("began", 0), event("began", 0, "van2"), event("began", 0, "van3", priority="high"))
    house.later()
    assert house.titles() == ["van3: Battery low"]
    house.tells(event("ended", HOUR, began=0))
    house.later(20 * HOUR, 2 * HOUR)
    assert "van2: Battery low" in house.titles()
    assert not any("van1" in title for title in house.titles())


def test_what_is_told_again_is_told_in_the_figures_of_now(base: Database) -> None:
    """A forecast repeated a day later carries the words of the battery's newest assessment, not those of yesterday."""
    house = House(base, person())
    began = event("began", 0, rule="forecast_low")
    house.tells(began)
    house.later()
    now = began.finding._replace(title="Falls below its limit in 2 days")
    today = Assessment("van1", T0 + 20 * HOUR, 12.4, None, None, 60.0, 55.0, 65.0, "resting", None, Details(T0, findings=(now,)))
    house.ledger.commit(Batch(news={"van1": today}))
    house.later(2 * DAY, HOUR)
    assert house.titles()[:2] == ["van1: Falling", "Still: van1: Falls below its limit in 2 days"]


def test_repeated_until_acknowledged_then_reminded_once(base: Database) -> None:
    """Nobody acknowledges: told again daily. Acknowledged and forgotten: one reminder after two days."""
    house = House(base, person())
    house.tells(event("began", 0))
    house.later(50 * HOUR, 2 * HOUR)
    assert house.titles() == ["van1: Battery low", "Still: van1: Battery low", "Still: van1: Battery low"]
    house.ledger.acknowledge(event("began", 0).alert_id, house.now, "Bo")
    house.later(200 * HOUR, 8 * HOUR)
    assert house.titles()[3:] == ["Not mended: van1: Battery low"]
    assert house.phones["Ana/1"].got[-1].text.startswith("Bo acknowledged it 2 days ago, and it is still there.")


def test_the_second_contact_is_told_when_nobody_answers(base: Database) -> None:
    """Not acknowledged for an hour, a high alert goes to the second contact, who also hears its end; an acknowledged one does not."""
    house = House(base, person(), person("Bo", only_escalated=True))
    house.tells(event("began", 0, priority="high"), event("began", 0, "van2", priority="high"))
    house.later()
    house.ledger.acknowledge(event("began", 0, "van2").alert_id, house.now, "Ana")
    house.later(2 * HOUR, 1800 * SECOND)
    assert house.titles("Bo") == ["Nobody answered: van1: Battery low"]
    house.tells(event("ended", 3 * HOUR, priority="high", began=0), event("ended", 3 * HOUR, "van2", priority="high", began=0))
    house.later()
    assert house.titles("Bo") == ["Nobody answered: van1: Battery low", "Over: van1: Battery low"]


def test_the_second_contact_waits_from_when_the_first_was_told(base: Database) -> None:
    """Readings that came days late, a shelf that is over, an alert acknowledged before it became worse: the first contact has an hour then, too."""
    house = House(base, person(), person("Bo", only_escalated=True))
    begun = {name: event("began", 0, name, priority="high").alert_id for name in ("van1", "van2", "van3")}
    house.tells(event("began", 0, "van2", priority="high"), event("began", 0, "van3"))
    house.ledger.shelve(begun["van2"], house.now, house.now + 5 * DAY, "Ana", "known")
    house.later()
    house.ledger.acknowledge(begun["van3"], house.now, "Ana")
    house.later(5 * DAY, 12 * HOUR)
    told = len(house.titles())
    house.tells(event("began", 0, priority="high"), late=True)
    house.tells(event("worsened", 5 * DAY, "van3", priority="high", began=0))
    house.later(50 * 60 * SECOND, 30 * SECOND)
    assert sorted(house.titles()[told - 1 :]) == ["Heard again, with 1 alert meanwhile", "Worse: van3: Battery low", "van2: Battery low"]
    assert house.titles("Bo") == []
    house.later(15 * 60 * SECOND, 60 * SECOND)
    assert sorted(house.titles("Bo")) == [f"Nobody answered: van{n}: Battery low" for n in (1, 2, 3)]
    assert house.phones["Bo/1"].got[0].text.startswith("It has lasted 5 days, and nobody has acknowledged it.\n")


def test_a_shelf_does_not_hide_a_danger_it_was_not_made_for(base: Database) -> None:
    """A shelved alert that rises to high, or begins again as high, is told; the shelf's end is in its history. Out of service holds."""
    house = House(base, person())
    shelved, kept, worked_on = (event("began", 0, name).alert_id for name in ("van1", "van2", "van3"))
    house.tells(*(event("began", 0, name) for name in ("van1", "van2", "van3")))
    house.later()
    for alert_id in (shelved, kept):
        house.ledger.shelve(alert_id, house.now, house.now + 9 * DAY, "Ana", "known")
    house.ledger.take_out_of_service(worked_on, house.now, house.now + 9 * DAY, "Ana", "in the workshop")
    house.tells(*(event("worsened", HOUR, name, priority="high", began=0) for name in ("van1", "van3")))
    house.tells(event("ended", HOUR, "van2", began=0), event("began", 2 * HOUR, "van2", priority="high"))
    house.later(3 * HOUR, HOUR)
    assert house.titles()[3:] == ["Worse: van1: Battery low", "Over: van2: Battery low", "van2: Battery low"]
    assert ("unshelved", "it became worse") in [(act.kind, act.who) for act in house.ledger.acts(shelved)]


def test_who_acknowledges_what_became_worse_is_reminded_again(base: Database) -> None:
    """The reminder of the lesser alert does not count for the graver one."""
    house = House(base, person())
    alert_id = event("began", 0).alert_id
    house.tells(event("began", 0))
    house.later()
    house.ledger.acknowledge(alert_id, house.now, "Ana")
    house.later(3 * DAY, 6 * HOUR)
    house.tells(event("worsened", 3 * DAY, priority="high", began=0))
    house.later()
    house.ledger.acknowledge(alert_id, house.now, "Ana")
    house.later(3 * DAY, 6 * HOUR)
    assert house.titles()[1:] == ["Not mended: van1: Battery low", "Worse: van1: Battery low", "Not mended: van1: Battery low"]


def test_a_message_that_had_to_wait_says_how_old_it_is(base: Database) -> None:
    """ "In 2 hours", written in the evening and read in the morning, is not of now; what goes out at once says nothing of it."""
    night = QuietTime(begin=time(14), end=time(7))
    house = House(base, person(), person("Ben", quiet=(night,)))
    house.tells(event("began", 0))
    house.later(17 * HOUR, HOUR)
    assert house.phones["Ana/1"].got[0].text.splitlines()[-1] == "Do that."
    assert house.phones["Ben/1"].got[0].text.splitlines()[-2:] == ["Do that.", "Written 16 hours ago."]


def test_worse_is_told_again(base: Database) -> None:
    """A priority that rises is told to those who knew it lower, and for the first time to those who only want high."""
    house = House(base, person(), person("Bo", priority="high"))
    house.tells(event("began", 0))
    house.later()
    house.tells(event("worsened", SECOND, priority="high", began=0))
    house.later()
    assert house.titles() == ["van1: Battery low", "Worse: van1: Battery low"]
    assert house.titles("Bo") == ["van1: Battery low"]


@pytest.mark.parametrize("late", [False, True])
def test_what_was_told_as_over_and_goes_on_is_told_again(base: Database, late: bool) -> None:
    """It stands in the ledger again, nobody has acknowledged it, and its true end is told as every other."""
    house = House(base, person(), gather_s=1)
    first = event("began", 0)
    house.tells(first)
    house.later()
    house.ledger.acknowledge(first.alert_id, house.now, "Ana")
    house.tells(event("ended", HOUR, began=0))
    house.later(HOUR)
    house.tells(event("began", 2 * HOUR, began=0), late=late)
    house.later(10 * SECOND, SECOND)
    again = "Heard again, with 1 alert meanwhile" if late else "van1: Battery low"
    assert house.titles() == ["van1: Battery low", "Over: van1: Battery low", again]
    alert = house.ledger.alert(first.alert_id)
    assert alert is not None
    assert (alert.state, alert.ended_ms, alert.acknowledged_ms, alert.began_ms) == ("unacknowledged", None, None, T0)
    assert [alert.id for alert in house.ledger.alerts("van1", active=True)] == [first.alert_id]
    house.restart()
    house.later(10 * SECOND, SECOND)
    house.tells(event("ended", 3 * HOUR, began=0))
    house.later(10 * SECOND, SECOND)
    assert house.titles()[3:] == ["Over: van1: Battery low"]
    assert [a.kind for a in house.ledger.acts(first.alert_id) if a.who == "restvolt"] == ["began", "ended", "began", "ended"]


@pytest.mark.parametrize("late", [False, True])
def test_an_end_that_is_taken_back_before_it_was_told_is_not_told(base: Database, late: bool) -> None:
    """Whether the end and the new beginning come together or the end waits for the morning: who knows that it stands hears nothing more."""
    night = QuietTime(begin=time(14, 15), end=time(7))
    house = House(base, person(), person("Ben", quiet=(night,)), gather_s=1)
    house.tells(event("began", 0), event("began", 0, "van2"))
    house.later()
    house.tells(event("ended", HOUR, began=0), event("began", 2 * HOUR, began=0), late=late)
    house.tells(event("ended", HOUR, "van2", began=0), late=late)
    house.later(HOUR, SECOND * 600)
    house.tells(event("began", 2 * HOUR, "van2", began=0), late=late)
    house.later(DAY - 5 * HOUR, HOUR)
    assert not any("van1" in message.text + message.title for message in house.phones["Ana/1"].got[2:])
    assert house.titles("Ben") == ["van1: Battery low", "van2: Battery low"]
    assert len(house.titles()) == 4, "Ana heard of van2 that it is over, and that it goes on"


def test_low_priority_comes_as_one_digest(base: Database) -> None:
    """What is low is gathered until the morning; what ended meanwhile is left out; the ends of what was told come in the next."""
    house = House(base, person(digest_at=time(8)))
    for n in (1, 2, 3):
        house.tells(event("began", n, f"van{n}", "forecast_low", "low"))
        house.later()
    house.tells(event("ended", HOUR, "van2", "forecast_low", "low", began=2))
    house.later(20 * HOUR, 2 * HOUR)
    assert house.titles() == ["Today: 2 things to look after"]
    assert house.phones["Ana/1"].got[0].text.splitlines() == ["van1: Falling. Do that.", "van3: Falling. Do that."]
    house.tells(event("ended", 21 * HOUR, "van1", "forecast_low", "low", began=1))
    house.later(24 * HOUR, HOUR)
    assert house.titles()[1:] == ["1 thing settled"]
    assert house.phones["Ana/1"].got[1].text == "over: van1: Falling."


def test_a_backlog_is_one_summary(base: Database) -> None:
    """Weeks of late readings raise no storm: one message, what still holds first, and later its end."""
    house = House(base, person())
    for n in range(1, 8):
        at = -20 * DAY + n * DAY
        house.tells(event("began", at), event("ended", at + HOUR, began=at), late=True)
        house.later(5 * SECOND)
    house.tells(event("began", -DAY, priority="high"), late=True)
    house.later(90 * SECOND, 5 * SECOND)
    assert house.titles() == ["Heard again, with 8 alerts meanwhile"]
    lines = house.phones["Ana/1"].got[0].text.splitlines()
    assert lines[0] == "Readings of van1 came in late. They show 8 alerts; 1 still holds."
    assert lines[1] == "van1: Battery low. Do that."
    assert sum(line.startswith("over: ") for line in lines) == 7
    house.tells(event("ended", HOUR, priority="high", began=-DAY))
    house.later(SECOND)
    assert house.titles()[1:] == ["Over: van1: Battery low"]


def test_an_announced_alert_whose_end_came_late_is_closed(base: Database) -> None:
    """Announced, then out of reach, then ended in the backlog: the summary tells its end."""
    house = House(base, person())
    house.tells(event("began", 0))
    house.later()
    house.tells(event("ended", HOUR, began=0), late=True)
    house.later(70 * SECOND, 5 * SECOND)
    assert house.titles() == ["van1: Battery low", "Heard again, with 1 alert meanwhile"]
    assert "over: van1: Battery low." in house.phones["Ana/1"].got[1].text


def test_a_dead_gateway_is_one_message(base: Database) -> None:
    """Silences of one gateway come as one message, stragglers add none, and so does its return; another site's silence is told itself."""
    house = House(base, person())
    for n in range(1, 7):
        house.tells(event("began", n, f"van{n}", "silence"))
        house.later(2 * SECOND)
    house.later(70 * SECOND, 5 * SECOND)
    assert house.titles() == ["Gateway Hull is down"]
    assert "van1, van2, van3, van4, van5, van6" in house.phones["Ana/1"].got[0].text
    house.tells(event("began", HOUR, "van7", "silence"), event("began", HOUR, "far", "silence"))
    house.later(70 * SECOND, 5 * SECOND)
    assert house.titles() == ["Gateway Hull is down", "far: Silent for 20 hours"]
    house.tells(*(event("ended", 2 * HOUR, f"van{n}", "silence", began=HOUR if n == 7 else n) for n in range(1, 8)))
    house.later(70 * SECOND, 5 * SECOND)
    assert house.titles()[2:] == ["Gateway Hull is back"]
    assert "7 batteries" in house.phones["Ana/1"].got[2].text


def test_a_dead_gateway_stays_one_cause(base: Database) -> None:
    """What is repeated, passed on to the second contact and reminded of is the gateway, not each of its batteries."""
    house = House(base, person(), person("Bo", only_escalated=True))
    silences = [event("began", n, f"van{n}", "silence") for n in range(1, 7)]
    house.tells(*silences, event("began", 0, "far", "silence"))
    house.later(70 * SECOND, 5 * SECOND)
    house.later(30 * HOUR, HOUR)
    assert sorted(house.titles()[2:]) == ["Still: Gateway Hull is down", "Still: far: Silent for 20 hours"]
    assert sorted(house.titles("Bo")) == ["Nobody answered: Gateway Hull is down", "Nobody answered: far: Silent for 20 hours"]
    text = next(message.text for message in house.phones["Bo/1"].got if "Hull" in message.title).splitlines()
    assert text[0] == "It has lasted 12 hours, and nobody has acknowledged it."
    assert text[1] == "6 batteries that report through Hull are silent: van1, van2, van3, van4, van5, van6."
    for silence in silences:
        house.ledger.acknowledge(silence.alert_id, house.now, "Ana")
    told = len(house.titles())
    house.later(3 * DAY, HOUR)
    assert [title for title in house.titles()[told:] if "far" not in title] == ["Not mended: Gateway Hull is down"]


def test_two_silent_batteries_are_two_messages(base: Database) -> None:
    """Too few to be one cause: each is told itself."""
    house = House(base, person())
    house.tells(event("began", 0, "van1", "silence"), event("began", 0, "van2", "silence"))
    house.later(70 * SECOND, 5 * SECOND)
    assert house.titles() == ["van1: Silent for 20 hours", "van2: Silent for 20 hours"]


def test_a_dead_channel_is_tried_again_with_growing_waits(base: Database) -> None:
    """While a channel fails it is tried less and less often; when it returns the message arrives once, and the other phone never waited."""
    house = House(base, person(), person("Bo"))
    house.phones["Ana/1"].mood = PushFailed("no answer within 10 s")
    house.tells(event("began", 0))
    house.later(HOUR, 60 * SECOND)
    (delivery,) = [d for d in house.ledger.delivered() if d.channel == "Ana/1"]
    assert delivery.state == "waiting"
    assert delivery.last_error == "no answer within 10 s"
    assert 7 <= delivery.tries <= 11
    assert house.titles("Bo") == ["van1: Battery low"]
    house.phones["Ana/1"].mood = None
    house.later(900 * SECOND, 60 * SECOND)
    assert house.titles() == ["van1: Battery low"]
    assert len(house.said) == 1


def test_an_end_never_overtakes_its_beginning(base: Database) -> None:
    """A beginning that is still being tried goes out before its end."""
    house = House(base, person())
    house.phones["Ana/1"].mood = PushFailed("no answer")
    house.tells(event("began", 0))
    house.later(30 * SECOND, 5 * SECOND)
    house.tells(event("ended", 31 * SECOND, began=0))
    house.later(2 * SECOND, SECOND)
    house.phones["Ana/1"].mood = None
    house.later(600 * SECOND, 10 * SECOND)
    assert house.titles() == ["van1: Battery low", "Over: van1: Battery low"]


@pytest.mark.parametrize("error", [PushRefused("401 unauthorised"), ValueError("token=secret")])
def test_a_refusal_is_not_tried_again_and_a_bug_is(base: Database, error: Exception) -> None:
    """A refusal is final, is said and stands in the alert's history; a channel's own bug is tried again and tells no secret."""
    house = House(base, person())
    house.phones["Ana/1"].mood = error
    house.tells(event("began", 0))
    house.later(10 * SECOND, SECOND)
    (delivery,) = house.ledger.delivered()
    refused = isinstance(error, PushRefused)
    assert delivery.state == ("refused" if refused else "waiting")
    assert "secret" not in f"{delivery.last_error} {house.said}"
    assert any(a.kind == "not pushed" for a in house.ledger.acts(event("began", 0).alert_id)) == refused
    house.phones["Ana/1"].mood = None
    house.later(600 * SECOND, 60 * SECOND)
    assert house.titles() == ([] if refused else ["van1: Battery low"])


def test_after_days_a_message_is_given_up_and_said(base: Database) -> None:
    """A channel that is dead for days does not gather a heap: one message waits, then is given up, and that is said."""
    house = House(base, person(), give_up_h=2)
    house.phones["Ana/1"].mood = PushFailed("no answer")
    house.tells(event("began", 0))
    house.later(3 * HOUR, 300 * SECOND)
    assert [d.state for d in house.ledger.delivered()][-1] == "expired"
    assert len(house.ledger.delivered()) <= 2
    assert "given up" in house.said[-1]


def test_two_replicas_never_send_twice(base: Database) -> None:
    """Two services on one database plan and send each message once, whoever comes first."""
    house = House(base, person())
    other = Outbox(SqlLedger(house.ledger.database), house.settings, house.reach, lambda: house.now, lambda: 1.0)
    for n in range(1, 6):
        house.tells(event("began", n, f"van{n}"))
    for turn in count():
        house.now += SECOND
        one, two = (house.outbox, other) if turn % 2 else (other, house.outbox)
        one.plan_once()
        two.plan_once()
        if not (one.send_once("Ana/1") | two.send_once("Ana/1")):
            break
    assert sorted(house.titles()) == [f"van{n}: Battery low" for n in range(1, 6)]


def test_a_sender_that_died_is_replaced_after_its_lease(base: Database) -> None:
    """A delivery that somebody took and never finished is sent by the next after three minutes, not before."""
    house = House(base, person())
    house.phones["Ana/1"].mood = KeyboardInterrupt()  # type: ignore[assignment]
    house.tells(event("began", 0))
    house.now += SECOND
    house.outbox.plan_once()
    with pytest.raises(KeyboardInterrupt):
        house.outbox.send_once("Ana/1")
    house.phones["Ana/1"].mood = None
    house.restart()
    house.later(100 * SECOND, 5 * SECOND)
    assert house.titles() == []
    house.later(100 * SECOND, 5 * SECOND)
    assert house.titles() == ["van1: Battery low"]


def test_a_browser_that_subscribes_is_told_and_one_that_goes_is_not_waited_for(base: Database) -> None:
    """Who subscribes while it runs hears of the next alert; what waits for a browser that is gone is given up and said in the list."""
    house = House(base, person())
    house.visitors.append(person("Bo", fleet="coast"))
    house.ledger.declare(Battery("shore", "agm", 100.0, fleet="coast"), T0, "test")
    house.phones["Bo/page"] = Phone("Bo/page")
    house.tells(event("began", 0), event("began", 0, "shore"))
    house.later(2 * SECOND, SECOND)
    assert sorted(house.titles()) == ["shore: Battery low", "van1: Battery low"]
    assert house.phones["Bo/page"].titles == ["shore: Battery low"]
    house.phones["Bo/page"].mood = PushFailed("no answer")
    house.tells(event("ended", SECOND, "shore", began=0))
    house.later(2 * SECOND, SECOND)
    del house.phones["Bo/page"]
    house.later(2 * SECOND, SECOND)
    (newest,) = house.ledger.delivered(person="Bo", limit=1)
    assert (newest.state, newest.last_error) == ("expired", "this address is no longer there")


def test_a_test_message_goes_every_way_a_person_has(base: Database) -> None:
    """It is a delivery like any other, to this person only, and is listed with how it ended."""
    house = House(base, person(), person("Bo"))
    house.phones["Ana/2"] = Phone("Ana/2")
    house.phones["Ana/2"].mood = PushRefused("401 unauthorised")
    made = house.outbox.test("Ana", "Ines")
    assert [(d.channel, d.kind, d.state) for d in made] == [("Ana/1", "test", "waiting"), ("Ana/2", "test", "waiting")]
    house.later(SECOND)
    assert (house.titles(), house.titles("Bo")) == (["Restvolt: a test"], [])
    assert [(d.channel, d.state) for d in house.ledger.delivered()] == [("Ana/2", "refused"), ("Ana/1", "sent")]
    assert house.outbox.test("Nobody", "Ines") == []


def test_the_list_of_deliveries_is_filtered_and_paged(base: Database) -> None:
    """By person, by battery, by what became of them, and page by page; nothing that speaks of a battery outside `within`."""
    house = House(base, person(), person("Bo"))
    house.phones["Bo/1"].mood = PushFailed("no answer")
    for n in range(1, 4):
        house.tells(event("began", n, f"van{n}"))
        house.later()
    house.outbox.test("Ana", "Ines")
    ledger = house.ledger
    assert [d.message.battery_id for d in ledger.delivered(person="Ana")] == [None, "van3", "van2", "van1"]
    assert {d.message.battery_id for d in ledger.delivered(about=["van2"])} == {"van2"}
    assert {d.message.battery_id for d in ledger.delivered(within=["van1", "van3"])} == {"van1", "van3"}
    assert {d.channel for d in ledger.delivered(state="failed")} == {"Bo/1"}
    assert {d.state for d in ledger.delivered(state="sent")} == {"sent"}
    every = ledger.delivered()
    first = ledger.delivered(limit=3)
    assert first + ledger.delivered(after_id=first[-1].id) == every


def test_degrees_are_told_as_the_person_likes(base: Database) -> None:
    """3.5 °C is 38 °F for who wants Fahrenheit."""
    house = House(base, person(temperature_unit="F"))
    house.tells(event("began", 0))
    house.later()
    assert "38 °F" in house.phones["Ana/1"].got[0].text


def test_threads_send_by_themselves_and_stop(base: Database) -> None:
    """Started, the outbox tells without being called, and a hanging channel holds up neither another nor the stop."""
    import threading  # only this test needs threads

    release, arrived = threading.Event(), threading.Event()

    class Hanging(Phone):
        def push(self, message: Message) -> None:
            release.wait(30)

    class Quick(Phone):
        def push(self, message: Message) -> None:
            super().push(message)
            arrived.set()

    house = House(base, person(), person("Bo"))
    house.phones = {"Ana/1": Hanging("Ana/1"), "Bo/1": Quick("Bo/1")}
    house.restart()
    house.tells(event("began", 0))
    house.outbox.start()
    try:
        house.outbox.wake()
        assert arrived.wait(20)
        assert house.outbox.alive()
    finally:
        release.set()
        house.outbox.stop()
    assert house.titles("Bo") == ["van1: Battery low"]
