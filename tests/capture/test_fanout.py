"""Messages to many listeners: a slow one loses its oldest and is told; readings come at a bounded pace."""

from __future__ import annotations

import asyncio

from capture.fanout import MOST_WAITING, Fanout
from capture.live import LiveReadings
from capture.messages import ANY_MESSAGE, Behind, Message, Readings, Trouble
from capture.reading import Reading
from tests.capture.helpers import ManualClock, settle


def trouble(number: int) -> Trouble:
    return Trouble(where="test", text=str(number))


async def test_everyone_hears_everything_in_order() -> None:
    fanout = Fanout()
    both = fanout.subscribe(), fanout.subscribe()
    for number in range(5):
        fanout.publish(trouble(number))
    fanout.close()
    for subscription in both:
        assert [message async for message in subscription.messages()] == [trouble(i) for i in range(5)]


async def test_a_slow_listener_loses_the_oldest_and_is_told_how_many() -> None:
    fanout = Fanout()
    slow = fanout.subscribe()
    for number in range(MOST_WAITING + 7):
        fanout.publish(trouble(number))
    fanout.close()
    heard = [message async for message in slow.messages()]
    assert heard[0] == Behind(lost=7)
    assert heard[1:] == [trouble(i) for i in range(7, MOST_WAITING + 7)]


async def test_a_frame_holds_all_that_waits_a_line_each() -> None:
    fanout = Fanout()
    both = fanout.subscribe(), fanout.subscribe()
    for number in range(3):
        fanout.publish(trouble(number))
    fanout.close()
    for subscription in both:
        frames = [frame async for frame in subscription.frames()]
        assert len(frames) == 1
        assert [ANY_MESSAGE.validate_json(text) for text in frames[0].split("\n")] == [
            trouble(i) for i in range(3)
        ]


async def test_who_left_hears_no_more() -> None:
    fanout = Fanout()
    subscription = fanout.subscribe()
    fanout.unsubscribe(subscription)
    fanout.publish(trouble(1))
    assert [message async for message in subscription.messages()] == []
    assert len(fanout) == 0


class LateClock(ManualClock):
    """Every wait takes a little longer than asked, as on a real machine."""

    async def sleep(self, seconds: float) -> None:
        await super().sleep(seconds + 0.0007)


async def test_no_reading_of_an_indicator_of_fifty_a_second_is_held_up() -> None:
    clock, fanout = LateClock(), Fanout()
    live = LiveReadings(fanout, clock)
    subscription = fanout.subscribe()
    task = asyncio.create_task(live.run())
    heard: list[Message] = []

    async def listen() -> None:
        async for message in subscription.messages():
            heard.append(message)

    listening = asyncio.create_task(listen())
    for number in range(200):
        await clock.run_for(0.023 if number % 2 else 0.017)  # uneven, 50 a second on average
        live.add("a", None, [Reading(number, number, "mm", None, None)])
        await settle()
        assert len(heard) == number + 1  # before the clock went on
    task.cancel()
    listening.cancel()
    await asyncio.wait([task, listening])


async def test_readings_are_gathered_into_fifty_messages_a_second() -> None:
    clock, fanout = ManualClock(), Fanout()
    live = LiveReadings(fanout, clock)
    subscription = fanout.subscribe()
    task = asyncio.create_task(live.run())
    for number in range(1_000):  # 1,000 readings/s for a second
        live.add("a", None, [Reading(number, number, "mm", "bad" if number == 3 else None)])
        await clock.run_for(0.001)
    task.cancel()
    await asyncio.wait([task])
    await settle()
    fanout.close()
    heard: list[Message] = [message async for message in subscription.messages()]
    readings = [message for message in heard if isinstance(message, Readings)]
    assert 48 <= len(readings) <= 52
    nm = [length_nm for message in readings for length_nm in message.length_nm]
    assert nm == list(range(len(nm)))
    assert len(nm) >= 980
    flags = {message.length_nm[i]: why for message in readings for i, why in message.flags.items()}
    assert flags == {3: "bad"}
