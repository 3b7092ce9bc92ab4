"""The bounded queue: nothing vanishes without a number, and it never grows beyond its room."""

from hypothesis import given
from hypothesis import strategies as st

from daq.inbox import EVENT_BYTES, Inbox, Overflowed
from daq.reader import Found, Lost, Received


@given(
    st.lists(st.integers(0, 400) | st.just("take") | st.just("lost"), max_size=80),
    st.integers(EVENT_BYTES + 1, 3000),
)
def test_every_byte_is_delivered_in_order_or_counted_in_the_hole_where_it_was(actions, limit):
    inbox, sent, got, now = Inbox(["main"], limit), b"", bytearray(), 0.0
    out = []
    for action in [*actions, "take"]:
        now += 1.0
        if action == "take":
            out += inbox.take()
            assert inbox.fill("main") == 0.0
        elif action == "lost":
            inbox.put("main", Lost(now, "pulled"))
        else:
            data = bytes((len(sent) + i) % 251 for i in range(action))
            sent += data
            inbox.put("main", Received(now, data))
        assert inbox.fill("main") <= 1.0
    times = []
    for _, event in out:
        times.append(event.host_s)
        if isinstance(event, Received):
            assert event.data == sent[len(got) : len(got) + len(event.data)]
            got += event.data
        elif isinstance(event, Overflowed):
            assert times[-2:-1] < [event.from_s] and event.from_s <= event.host_s
            got += bytes(event.lost_bytes)
    assert len(got) == len(sent)
    assert times == sorted(times)


def test_one_instrument_that_floods_takes_no_room_from_another():
    inbox = Inbox(["main", "lambda"], 10_000)
    for i in range(100):
        inbox.put("main", Received(float(i), bytes(1000)))
    inbox.put("lambda", Received(100.0, b"0.91\n"))
    events = inbox.take()
    assert ("lambda", Received(100.0, b"0.91\n")) in events
    (hole,) = [e for _, e in events if isinstance(e, Overflowed)]
    assert hole.lost_bytes == 100_000 - sum(
        1000 for n, e in events if n == "main" and isinstance(e, Received)
    )


def test_a_loss_or_return_always_finds_room():
    inbox = Inbox(["main"], 300)
    inbox.put("main", Received(0.0, bytes(40)))
    inbox.put("main", Received(1.0, bytes(40)))
    inbox.put("main", Lost(2.0, "pulled"))
    inbox.put("main", Found(3.0, "/dev/ttyACM1", 1.0))
    assert [type(e) for _, e in inbox.take()] == [Received, Overflowed, Lost, Found]


def test_waiting_ends_with_the_first_event_and_not_before():
    inbox = Inbox(["main"], 300)
    inbox.wait(0.0)
    assert inbox.take() == []
    inbox.put("main", Lost(0.0, "pulled"))
    inbox.wait(60.0)
    assert inbox.take() == [("main", Lost(0.0, "pulled"))]
