"""Slots of an attempt: their order and their keys."""

from made import base, normal, with_tolerances

from yieldsim.population.addresses import key
from yieldsim.population.slots import slot_keys, slot_names

EVENTS = (
    "link.frame_loss",
    "link.acknowledgement_loss",
    "radio.listen.latency",
    *(f"link.backoff.slot_{k}" for k in range(1, 6)),
    *(f"link.backoff.busy_{k}" for k in range(1, 6)),
    "harvester.partial",
    "radio.message",
)
DRAWN = (
    "harvester.speed",
    "radio.boot.duration",
    "radio.boot.current",
    "radio.transmit.current",
    "link.frame_loss",
)


def test_order_of_the_slots() -> None:
    assert slot_names(base()) == DRAWN + EVENTS


def test_without_backoff_one_slot_of_each_kind_stays() -> None:
    assert slot_names(base(backoff=False)) == (
        *DRAWN,
        *EVENTS[:3],
        "link.backoff.slot_1",
        "link.backoff.busy_1",
        *EVENTS[-2:],
    )


def test_keys_differ_between_a_loss_and_the_spread_of_its_probability() -> None:
    keys = slot_keys(base(), 7)
    assert keys.shape == (len(DRAWN + EVENTS), 2)
    assert tuple(keys[4]) == key(7, "link.frame_loss", "actuation")
    assert tuple(keys[5]) == key(7, "link.frame_loss", "event")
    assert len({tuple(row) for row in keys.tolist()}) == len(keys)


def test_a_slot_keeps_its_key_when_a_variable_is_added() -> None:
    before = dict(zip(slot_names(base())[5:], slot_keys(base(), 7)[5:].tolist(), strict=True))
    more = with_tolerances(base(), "regulator.start_delay", normal("actuation", 0.1))
    after = dict(zip(slot_names(more)[6:], slot_keys(more, 7)[6:].tolist(), strict=True))
    assert before == after
