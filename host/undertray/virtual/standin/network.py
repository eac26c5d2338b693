"""Stands in for ``network``: the radio of a board with Wi-Fi. What it joins is the network of this computer."""

AP_IF = 1
STA_IF = 0


class WLAN:
    """Joins at the first call of ``connect``; ``up`` says whether the network is there."""

    PM_NONE = 0
    up = True

    def __init__(self, interface):
        self._asked = interface == AP_IF
        self.settings = {}

    def active(self, on=None):
        return True

    def config(self, **settings):
        self.settings.update(settings)

    def connect(self, name, password):
        self._asked = True

    def isconnected(self):
        return self._asked and self.up

    def ifconfig(self):
        return ("127.0.0.1", "255.0.0.0", "127.0.0.1", "127.0.0.1")
