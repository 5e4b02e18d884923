"""The serial link over pseudo-terminals and sockets: what comes in, and what is told when it fails."""

from __future__ import annotations

import asyncio
import errno
import os
import socket
import sys
import termios
import tty
from collections.abc import Iterator
from dataclasses import dataclass
from types import SimpleNamespace

import pytest
import serial
from serial.tools import list_ports

from capture.links import Link, link_for
from capture.links.serial_errors import lost, not_opened
from capture.links.serial_port import SerialPort
from capture.system import permission_advice
from config.clock import SystemClock
from config.errors import LinkError
from tests.capture.helpers import indicator


@dataclass
class Pty:
    """The far end of a pseudo-terminal."""

    master: int
    path: str

    def send(self, data: bytes) -> None:
        os.write(self.master, data)

    def unplug(self) -> None:
        os.close(self.master)
        self.master = -1


@pytest.fixture
def pty() -> Iterator[Pty]:
    master, slave = os.openpty()
    tty.setraw(slave)
    path = os.ttyname(slave)
    os.close(slave)
    end = Pty(master, path)
    yield end
    if end.master >= 0:
        os.close(end.master)


def port(path: str) -> SerialPort:
    link = link_for(indicator(path), SystemClock())
    assert isinstance(link, SerialPort)
    return link


async def collect(link: Link, size: int) -> bytes:
    data = b""
    async for chunk in link.chunks():
        data += chunk.data
        if len(data) >= size:
            break
    return data


async def test_every_byte_arrives_in_order_with_a_growing_clock(pty: Pty) -> None:
    link = port(pty.path)
    await link.open()
    sent = bytes(range(256)) * 8  # fits the terminal's own buffer of 4 kB
    pty.send(sent)
    assert await collect(link, len(sent)) == sent
    await link.close()
    await link.close()


async def test_a_port_that_goes_while_it_is_opened_is_lost_and_looked_for(
    pty: Pty, monkeypatch: pytest.MonkeyPatch
) -> None:
    closed = []
    close = serial.Serial.close

    def gone(port: serial.Serial) -> None:
        raise termios.error(errno.EIO, "Input/output error")  # which is no OSError

    def closing(port: serial.Serial) -> None:
        closed.append(port.portstr)
        close(port)

    monkeypatch.setattr(serial.Serial, "close", closing)
    monkeypatch.setattr(serial.Serial, "reset_input_buffer", gone)
    with pytest.raises(LinkError, match="unplugged or switched off"):
        await port(pty.path).open()
    assert closed == [pty.path]
    monkeypatch.setattr(serial.Serial, "_reset_input_buffer", gone)
    with pytest.raises(LinkError, match="cannot be opened"):
        await port(pty.path).open()


async def test_what_lay_in_the_port_before_it_was_opened_is_not_taken(pty: Pty) -> None:
    holder = os.open(pty.path, os.O_RDWR | os.O_NOCTTY)
    pty.send(b"old")
    await asyncio.sleep(0.05)
    link = port(pty.path)
    await link.open()
    pty.send(b"new")
    assert await collect(link, 3) == b"new"
    await link.close()
    os.close(holder)


async def test_writing_reaches_the_indicator(pty: Pty) -> None:
    link = port(pty.path)
    await link.open()
    await link.write(b"MEAS?\n")
    assert os.read(pty.master, 100) == b"MEAS?\n"
    await link.close()


async def test_unplugging_is_told_at_once(pty: Pty) -> None:
    link = port(pty.path)
    await link.open()
    pty.unplug()
    async with asyncio.timeout(1.0):
        with pytest.raises(LinkError, match="unplugged or switched off"):
            await collect(link, 1)
    await link.close()


async def test_a_port_that_is_not_there_lists_those_that_are() -> None:
    with pytest.raises(LinkError, match="no such port; expected one of the ports"):
        await port("/dev/no-such-port").open()


async def test_a_port_is_not_shared(pty: Pty) -> None:
    first, second = port(pty.path), port(pty.path)
    await first.open()
    with pytest.raises(LinkError, match="taken by another program"):
        await second.open()
    await second.close()
    await first.close()


async def test_a_folder_is_no_port(tmp_path: object) -> None:
    with pytest.raises(LinkError) as told:
        await port(str(tmp_path)).open()
    assert "\n" not in told.value.line()


async def test_a_usb_device_that_is_not_plugged_in() -> None:
    described = indicator(link={"kind": "serial", "usb": "dead:beef"})
    with pytest.raises(LinkError, match="no USB device dead:beef is plugged in"):
        await link_for(described, SystemClock()).open()


@pytest.mark.parametrize(
    ("link", "found"),
    [({"usb": "0ABC:0012"}, True), ({"usb": "0abc:0012", "usb_serial_number": "77"}, True),
     ({"usb": "0abc:0012", "usb_serial_number": "78"}, False), ({"usb": "0abc:0013"}, False)],
)  # fmt: skip
async def test_a_usb_device_is_found_by_its_ids_whatever_its_path(
    pty: Pty, monkeypatch: pytest.MonkeyPatch, link: dict[str, str], found: bool
) -> None:
    other = SimpleNamespace(device="/dev/none", description="", vid=None, pid=None, serial_number=None)
    ours = SimpleNamespace(device=pty.path, description="USB", vid=0x0ABC, pid=0x12, serial_number="77")
    monkeypatch.setattr(list_ports, "comports", lambda: [other, ours])
    opened = link_for(indicator(link={"kind": "serial", **link}), SystemClock())
    if not found:
        with pytest.raises(LinkError, match="is plugged in; expected one of the ports"):
            await opened.open()
        return
    await opened.open()
    pty.send(b"here")
    assert await collect(opened, 4) == b"here"
    await opened.close()


async def test_a_network_port_gives_chunks_not_bytes() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        link = port(f"socket://127.0.0.1:{server.getsockname()[1]}")
        await link.open()
        far, _ = await asyncio.to_thread(server.accept)
        sent = b"+   1.000mm \r\n" * 50
        far.sendall(sent)
        await asyncio.sleep(0.1)
        chunks = []
        async for chunk in link.chunks():
            chunks.append(chunk.data)
            if sum(map(len, chunks)) >= len(sent):
                break
        assert b"".join(chunks) == sent
        assert len(chunks) < 10
        far.close()
        with pytest.raises(LinkError):
            await collect(link, 1)
        await link.close()


async def test_a_network_port_where_nobody_answers() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        number = server.getsockname()[1]
    with pytest.raises(LinkError, match="nobody answers there"):
        await port(f"socket://127.0.0.1:{number}").open()


def test_a_forbidden_port_names_the_group_to_join(tmp_path: object) -> None:
    told = not_opened("/dev/null", PermissionError(errno.EACCES, "Permission denied"))
    assert told.what == "permission denied"
    assert permission_advice("/dev/null") in told.line()


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (OSError(errno.EBUSY, "busy"), "taken by another program"),
        (OSError(errno.ENXIO, "none"), "no such port"),
        (OSError(errno.EIO, "broken"), "cannot be opened"),
        (ValueError("invalid URL protocol 'sock'"), "is no port"),
        (OSError("could not open port 'COM7': FileNotFoundError(2, 'not found')"), "no such port"),
        (OSError("could not open port 'COM7': PermissionError(13, 'denied')"), "permission denied"),
    ],
)
def test_each_cause_has_its_line(error: OSError | ValueError, words: str) -> None:
    told = not_opened("COM7", error).line()
    assert words in told
    assert told.startswith("COM7: ")


def test_a_lost_port_says_what_to_do() -> None:
    assert "plug it in again" in lost("/dev/ttyUSB0", OSError(errno.EIO, "gone")).line()


async def test_a_reader_that_falls_behind_leaves_the_bytes_with_the_system(pty: Pty) -> None:
    from capture.links.base import Chunk, Inbox

    inbox = Inbox(most_bytes=10)
    given: list[int] = []

    def give() -> None:
        for number in range(5):
            inbox.give(Chunk(b"12345678", number))
            given.append(number)
        inbox.end()

    giving = asyncio.create_task(asyncio.to_thread(give))
    await asyncio.sleep(0.05)
    assert len(given) == 2
    assert [chunk.t_ns async for chunk in inbox.chunks()] == [0, 1, 2, 3, 4]
    await giving


@pytest.mark.skipif(not os.path.isdir("/proc/self/fd"), reason="only this system tells who holds a port")
async def test_a_port_that_is_taken_names_who_holds_it(pty: Pty) -> None:
    """The other program locks it as the serial library does, and says when it has."""
    code = (
        "import serial, sys, time; p = serial.Serial(sys.argv[1], exclusive=True);"
        "print('open', flush=True); time.sleep(30)"
    )
    other = await asyncio.create_subprocess_exec(
        sys.executable, "-c", code, pty.path, stdout=asyncio.subprocess.PIPE
    )
    assert other.stdout is not None
    try:
        assert await other.stdout.readline() == b"open\n"
        with pytest.raises(LinkError, match=rf"is taken by another program \(.*, process {other.pid}\)"):
            await port(pty.path).open()
    finally:
        other.kill()
        await other.communicate()
