"""Who was told what: plans deliveries and sends them, one thread for planning and one for each channel.

A slow or dead channel delays neither a reading nor another channel. Only here is anything tried again. Delivery is at least
once: after a crash between sending and noting it, a message comes twice rather than never.
"""

import threading
from collections.abc import Callable, Mapping

from analytics.battery import Battery
from api import ledger_alerts, ledger_deliveries, telling
from api.ledger import SqlLedger
from api.messages import written
from api.people import PushSettings
from api.planner import Planner
from api.ports import AlertAct, Channel, Delivery, Message, PushFailed, PushRefused, Reached

LEASE_MS = 180_000
"""Judgement: longer than any channel's time-out; a replica that dies while sending is replaced after three minutes."""
PLAN_EVERY_S = 1.0
LOOK_EVERY_S = 5.0
"""How long a sender waits at most before it looks again: another replica may have planned."""


class Outbox:
    """`reach`: who can be told at this moment, the same object as long as nothing changed. `now_ms` and `chance` (0 to 1) are handed in. `say` hears of trouble, in plain words."""

    def __init__(
        self,
        ledger: SqlLedger,
        settings: PushSettings,
        reach: Callable[[], Reached],
        now_ms: Callable[[], int],
        chance: Callable[[], float],
        say: Callable[[str], None] = lambda text: None,
        gateway_of: Callable[[Battery], str | None] = lambda battery: battery.site or None,
    ) -> None:
        self._ledger, self._settings, self._reach = ledger, settings, reach
        self._now_ms, self._chance, self._say = now_ms, chance, say
        self._planner = Planner(ledger, settings, {}, gateway_of)
        self._stopping = threading.Event()
        self._news = {"plan": threading.Event()}
        self._threads: dict[str, threading.Thread] = {}
        self._reached: Reached | None = None
        self._channels: Mapping[str, Channel] = {}
        self._meet()

    def start(self) -> None:
        """Begin planning and sending; deliveries to addresses that are gone are given up."""
        with self._ledger.database.writing() as connection:
            ledger_deliveries.drop_unreachable(connection, self._channels, self._now_ms())
        self._threads["plan"] = threading.Thread(target=self._planning, name="outbox plan", daemon=True)
        self._threads["plan"].start()
        for name in self._channels:
            self._send_from_now_on(name)

    def _send_from_now_on(self, name: str) -> None:
        self._threads[name] = threading.Thread(target=self._sending, args=(name,), name=f"outbox {name}", daemon=True)
        self._threads[name].start()

    def _meet(self) -> None:
        """Browsers subscribe and go while the service runs: plan for whom there is now, and let a thread send to each."""
        reached = self._reach()
        if reached is self._reached:
            return
        gone = [name for name in self._channels if name not in reached.channels]
        named: dict[str, list[str]] = {}
        for name in reached.channels:
            named.setdefault(name.partition("/")[0], []).append(name)
            self._news.setdefault(name, threading.Event())
        self._planner.people, self._planner.channels = reached.people, named
        self._reached, self._channels = reached, reached.channels
        if self._threads:
            for name in reached.channels:
                if name not in self._threads:
                    self._send_from_now_on(name)
            for name in gone:
                self._threads.pop(name, None)
                self._news[name].set()
        if gone:
            with self._ledger.database.writing() as connection:
                ledger_deliveries.drop_unreachable(connection, self._channels, self._now_ms())

    def stop(self, wait_s: float = 5.0) -> None:
        """Stop; a channel that hangs is left behind, its delivery is sent again after the lease."""
        self._stopping.set()
        self.wake()
        for thread in list(self._threads.values()):
            thread.join(wait_s)

    def wake(self) -> None:
        """Something was committed: look now."""
        for news in list(self._news.values()):
            news.set()

    def alive(self) -> bool:
        """Whether every thread runs; for health."""
        return bool(self._threads) and all(thread.is_alive() for thread in list(self._threads.values()))

    def plan_once(self) -> int:
        """One round of planning; how many messages were made."""
        self._meet()
        made = self._planner.plan(self._now_ms())
        if made:
            self.wake()
        return made

    def send_once(self, name: str) -> bool:
        """Send the next due delivery of a channel; False if there is none."""
        if (channel := self._channels.get(name)) is None:
            return False
        with self._ledger.database.reading() as connection:
            due_ms = ledger_deliveries.next_due_ms(connection, name)
        if due_ms is None or due_ms > self._now_ms():
            return False
        with self._ledger.database.writing() as connection:
            delivery = ledger_deliveries.lease(connection, name, self._now_ms(), LEASE_MS)
        if delivery is None:
            return False
        state, error = self._push(channel, delivery)
        self._note(delivery, state, error)
        return state != "waiting"

    def test(self, person: str, who: str) -> list[Delivery]:
        """Send a person a test in every way they have, as any other message; the deliveries as they begin, none if there is no way."""
        now_ms, message = self._now_ms(), trial_message(person)
        self._meet()
        with self._ledger.database.writing() as connection:
            numbers = [
                ledger_deliveries.add(connection, name, "test", f"asked for by {who}", message, now_ms, now_ms, [])
                for name in self._planner.channels.get(person, ())
            ]
            made = ledger_deliveries.of_numbers(connection, numbers)
        self.wake()
        return made

    def _push(self, channel: Channel, delivery: Delivery) -> tuple[str, str | None]:
        """What became of one try."""
        try:
            gathered = delivery.kind == "digest"  # said anew with each that joins it
            message = delivery.message
            channel.push(message if gathered else written(message, delivery.made_ms, self._now_ms()))
        except PushRefused as e:
            return "refused", str(e)
        except PushFailed as e:
            return "waiting", str(e)
        except Exception as e:  # a channel's bug must not end its thread; its text might hold a secret, its kind does not
            return "waiting", f"the channel failed with {type(e).__name__}"
        return "sent", None

    def _note(self, delivery: Delivery, state: str, error: str | None) -> None:
        """Keep what became of it, and say in the alert's history that somebody was told or could not be."""
        now_ms = self._now_ms()
        due_ms = now_ms
        if state == "waiting":
            due_ms = now_ms + telling.wait_ms(delivery.tries, self._chance())
            if self._too_old(delivery, now_ms):
                state = "expired"
        kind, text = ("pushed", delivery.message.title) if state == "sent" else ("not pushed", f"{error}")
        with self._ledger.database.writing() as connection:
            ledger_deliveries.tried(connection, delivery.id, now_ms, state, due_ms, error)
            if state != "waiting":
                for alert_id, _ in ledger_deliveries.spoken(connection, delivery.id):
                    ledger_alerts.add_act(connection, alert_id, AlertAct(now_ms, kind, delivery.channel.partition("/")[0], text))
        if state in ("refused", "expired"):
            self._say(f"A message could not be delivered to {delivery.channel} and was given up: {error}")
        elif state == "waiting" and delivery.tries == 0:
            self._say(f"A message could not be delivered to {delivery.channel}, it is tried again: {error}")

    def _too_old(self, delivery: Delivery, now_ms: int) -> bool:
        with self._ledger.database.reading() as connection:
            made_ms = ledger_deliveries.made_ms(connection, delivery.id)
        return now_ms - made_ms > self._settings.give_up_h * 3_600_000

    # --- threads

    def _planning(self) -> None:
        self._loop("plan", PLAN_EVERY_S, self.plan_once)

    def _sending(self, name: str) -> None:
        self._loop(name, LOOK_EVERY_S, lambda: self._send_all(name))

    def _send_all(self, name: str) -> None:
        while not self._stopping.is_set() and self.send_once(name):
            pass

    def _loop(self, name: str, every_s: float, work: Callable[[], object]) -> None:
        """Work at every news and every so often; the database failing for a while must not end the thread."""
        failing = False
        while not self._stopping.is_set() and (name == "plan" or name in self._channels):
            try:
                work()
                failing = False
            except Exception as e:
                if not failing:
                    self._say(f"Telling people is held up ({name}): {type(e).__name__}: {e}")
                failing = True
            self._news[name].wait(every_s)
            self._news[name].clear()


def trial_message(person: str) -> Message:
    """What a person gets when the push is tried out."""
    return Message("Restvolt: a test", f"{person}, this is a test of your alerts. Nothing needs to be done.", "low", None, None)
