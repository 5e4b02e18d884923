"""Learns a Bluetooth indicator: which characteristic speaks, and in what form."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from capture.learning.confirm import Learned, Propose, Say, confirm
from capture.learning.ear import Ear
from capture.learning.frames import looks_framed, propose_frames
from capture.learning.lines import is_text, propose_lines
from capture.learning.listening import LISTEN_S, listener, show
from config.clock import Clock
from config.errors import LinkError

if TYPE_CHECKING:
    from capture.finding import Offer
    from capture.links.bluetooth_reach import Air

SCAN_S = 6.0
LENGTHS = ("metre", "inch")


async def learn_bluetooth(
    address: str,
    say: Say,
    clock: Clock,
    *,
    known_nm: int | None = None,
    unit: str | None = None,
    characteristic: str | None = None,
    listen_s: float = LISTEN_S,
    air: Air | None = None,
) -> tuple[dict[str, Any], Learned]:
    """Learn the peripheral at `address`; the plunger rests until a known length is asked for.

    Returns:
        The keys of its link, and what was learned.

    Raises:
        LinkError: it is not in reach, or nothing that can be read arrives.
        InputError: see `confirm`.
    """
    link = {"kind": "bluetooth", "address": address}
    offers = await _offers(address, air)
    wanted = [each for each in offers if characteristic in (None, each.characteristic)]
    say("It offers: " + (", ".join(each.characteristic for each in offers) or "nothing that notifies"))
    # What says itself that it is a length comes first.
    for offer in sorted(wanted, key=lambda each: not _is_length(each)):
        keys = {"service": offer.service, "characteristic": offer.characteristic}
        if _is_length(offer):
            say(f"{offer.characteristic} says that it is a length ({offer.form}).")
            form = {"kind": "gatt", **keys}
            async with listener(link, clock, form, air) as ear:
                await ear.wait(listen_s)
                if ear.data:
                    return link, await confirm(
                        ear, _as(form), say, known_nm=known_nm, unit=unit, presentation=ear.link.presentation
                    )
            continue
        raw = {"kind": "gatt-lines", "pattern": "(?P<value>.*)", "unit": "mm", **keys}
        async with listener(link, clock, raw, air) as ear:
            say(f"Listening to {offer.characteristic}; leave the plunger untouched.")
            await ear.wait(listen_s)
            show(ear, say)
            if is_text(ear.data) and propose_lines(ear.data) is not None:
                return link, await confirm(ear, _lines(keys), say, known_nm=known_nm, unit=unit)
            if looks_framed(ear.chunks, whole=True):
                return link, await confirm(ear, _frames(keys), say, known_nm=known_nm, unit=unit)
    raise LinkError(
        "nothing that can be told notifies", where=address, do="name the --characteristic of its manual"
    )


async def _offers(address: str, air: Air | None) -> tuple[Offer, ...]:
    from bleak import BleakScanner

    from capture.finding import offers_of
    from capture.links.bluetooth_errors import FAILURES, told
    from capture.links.bluetooth_reach import backend

    try:
        device = await BleakScanner.find_device_by_address(
            address, timeout=SCAN_S, **backend(air, "scanner_backend")
        )
        if device is None:
            raise LinkError("is not in reach", where=address, do="switch it on and bring it nearer")
        return await offers_of(device, air)
    except FAILURES as error:
        raise told(error, address) from error


def _is_length(offer: Offer) -> bool:
    return offer.form is not None and offer.form.endswith(LENGTHS)


def _as(form: dict[str, Any]) -> Propose:
    return lambda _: form


def _lines(keys: dict[str, str]) -> Propose:
    def propose(ear: Ear) -> dict[str, Any] | None:
        found = propose_lines(ear.data)
        return None if found is None else {**found, "kind": "gatt-lines", **keys}

    return propose


def _frames(keys: dict[str, str]) -> Propose:
    def propose(ear: Ear) -> dict[str, Any] | None:
        found = propose_frames(ear.chunks, whole=True)
        return None if found is None else {**found, "kind": "gatt-frames", **keys}

    return propose
