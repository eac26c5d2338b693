"""Links besides USB: a UART, and a server on a Wi-Fi network. None of them ever waits."""

import gc
import select
import time

import micropython
from machine import UART, Pin
from micropython import const

from undertray.link import IN, OUT, WIDE
from undertray.wire import note

__all__ = ["UartPort", "WifiPort", "open_port"]

_PIECE = const(64)
_QUEUE = const(512)
_LOOK_MS = const(100)
_JOIN_MS = const(15_000)
_DEAD_MS = const(3_000)
_GONE = const(0x18)


def open_port(section):
    """The port that an entry of ``links`` describes."""
    return UartPort(section) if section["kind"] == "uart" else WifiPort(section)


class UartPort:
    """A UART. Its queue takes what fits, and a write of more would wait: so the time it needs is kept."""

    reader = 1  # whether somebody is at the other end cannot be known

    def __init__(self, section):
        self._section = section
        self._uart = UART(
            section["uart"],
            baudrate=section["baud"],
            tx=Pin(section["tx_pin"]),
            rx=Pin(section["rx_pin"]),
            txbuf=_QUEUE + 1,
            rxbuf=256,
            timeout=0,
        )
        self._byte = bytearray(1)
        self._poller = select.poll()
        self._poller.register(self._uart, select.POLLIN)
        self._piece_us = _PIECE * 10_000_000 // section["baud"] + 1
        self._whole_us = _QUEUE // _PIECE * self._piece_us
        self._empty_us = time.ticks_us()  # when all that was written has left
        self.ready()

    @micropython.native
    def ready(self):
        """What can be done without waiting: IN, OUT, or none of them."""
        found = 0
        for item in self._poller.ipoll(0):
            found |= item[1]
        found &= IN
        if self._left(time.ticks_us()) + self._piece_us <= self._whole_us:
            found |= OUT
        return found

    @micropython.native
    def _left(self, now):
        left = time.ticks_diff(self._empty_us, now)
        # long past, it comes round again
        return 0 if left < 0 or left > self._whole_us else left

    def state(self):
        """How the link is, for people."""
        return "uart {uart}: {baud} baud".format(**self._section)

    def read(self):
        return self._byte[0] if self._uart.readinto(self._byte) else -1

    @micropython.native
    def write(self, buf, start, n):
        """Write up to a piece; gives how many went (or None). Only after ``ready`` said OUT."""
        if n > _PIECE:
            n = _PIECE
        now = time.ticks_us()
        sent = self._uart.write(buf, start, n)  # type: ignore[call-arg] # as every stream takes it
        if sent:
            self._empty_us = time.ticks_add(now, self._left(now) + sent * self._piece_us // _PIECE)
        return sent


class WifiPort:
    """A server on a network of its own or on one that it joins; one client reads, a second is told so.

    ``reader`` numbers the clients, 0 while there is none. A client that took nothing for three seconds gives
    way to the next: behind a broken radio link it would hold the place for minutes.
    """

    def __init__(self, section):
        self.reader = 0
        self._section = section
        self._clients = 0
        self._why = "no network yet"
        self._wlan = None
        self._server = None
        self._client = None
        self._looked = time.ticks_ms()
        self._asked = None
        self._moved = self._looked
        self._byte = bytearray(1)
        self._poller = select.poll()

    def _look_after(self, now):
        """Keep the network up and the server on it; tenths of a second apart."""
        if self._wlan is None:
            self._begin()
        section = self._section
        wlan = self._wlan
        if section["network"] == "join" and not wlan.isconnected():
            if self._asked is None or time.ticks_diff(now, self._asked) > _JOIN_MS:
                self._asked = now
                wlan.connect(section["name"], section["password"])
            return
        if self._server is None:
            self._listen(section["port"])

    def _begin(self):
        from network import AP_IF, STA_IF, WLAN  # noqa: PLC0415 - only boards with a radio have it

        section = self._section
        own = section["network"] == "own"
        self._wlan = wlan = WLAN(AP_IF if own else STA_IF)
        if own:
            wlan.config(ssid=section["name"], password=section["password"])
        wlan.active(True)
        wlan.config(pm=wlan.PM_NONE)

    def _listen(self, number):
        import socket  # noqa: PLC0415 - only boards with a radio have it

        server = socket.socket()
        try:
            server.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            server.bind(socket.getaddrinfo("0.0.0.0", number)[0][-1])
            server.listen(2)
            server.setblocking(False)
        except Exception:
            server.close()  # it is tried again and again, and the radio has few
            raise
        self._poller.register(server, select.POLLIN)
        self._server = server

    def ready(self):
        """What can be done without waiting; looks after network, server and clients as well."""
        now = time.ticks_ms()
        if time.ticks_diff(now, self._looked) > _LOOK_MS:
            self._looked = now
            try:
                self._look_after(now)
            except Exception as error:
                # No radio, or a network that cannot be had: it is told, and tried again. Only the kind of
                # the error, for its text may have what board.json keeps secret.
                self._why = type(error).__name__
                self._looked = time.ticks_add(now, _JOIN_MS)
                gc.collect()
        found = 0
        knocks = False
        for item in self._poller.ipoll(0):
            if item[0] is self._server:
                knocks = True
            else:
                found |= item[1]
        if found & _GONE and not found & IN:
            self._hang_up()
        elif knocks and not found & IN:
            # What the client said comes first: it may be its end.
            self._accept(now)
        elif self._client is not None:
            return found & (IN | OUT) | WIDE
        return 0

    def state(self):
        """How the link is, for people: never with the password."""
        if self._server is None:
            return "wifi: " + self._why
        address = self._wlan.ifconfig()[0]
        return "wifi: {}:{}, {}".format(address, self._section["port"], "read" if self.reader else "waits")

    def _accept(self, now):
        if self._client is not None and time.ticks_diff(now, self._moved) > _DEAD_MS:
            self._hang_up()
            return
        try:
            client = self._server.accept()[0]
        except OSError:
            return
        client.setblocking(False)
        if self._client is None:
            self._client = client
            self._moved = now
            self._poller.register(client, select.POLLIN | select.POLLOUT)
            self._clients = self._clients % 999 + 1
            self.reader = self._clients
        else:
            why = {"to": "board", "ok": False, "why": "another program reads this link: one at a time"}
            try:
                client.write(note("reply", why))
            except OSError:
                pass
            client.close()
        gc.collect()

    def _hang_up(self):
        self._poller.unregister(self._client)
        self._client.close()
        self._client = None
        self.reader = 0
        gc.collect()

    def read(self):
        """One byte, or -1; at the end of the input the client is gone."""
        if self._client is None:
            return -1
        try:
            n = self._client.readinto(self._byte)
        except OSError:
            n = 0
        if n:
            self._moved = time.ticks_ms()
            return self._byte[0]
        if n == 0:
            self._hang_up()
        return -1

    def write(self, buf, start, n):
        """Write what the network takes; gives how many went (or None)."""
        if self._client is None:
            return None
        try:
            sent = self._client.write(buf, start, n)
        except OSError:
            self._hang_up()
            return None
        if sent:
            self._moved = time.ticks_ms()
        return sent
