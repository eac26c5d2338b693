"""board.json: read, checked key by key, every fault named in a sentence."""

import json

from undertray.boardfaults import wiring_faults

__all__ = ["FORMAT", "read_board"]

FORMAT = 1
_SIZE_LIMIT = 8192
_COLUMNS = 16
_TEXT = 60

# key: (kind, default or REQUIRED, lowest, highest). A text is at most _TEXT printable characters.
_REQUIRED = "required"
_PIN = ("number", _REQUIRED, 0, 29)
_TOP = {
    "format": ("number", _REQUIRED, 1, FORMAT),
    "name": ("text", _REQUIRED, 0, 0),
    "rate_hz": ("number", 200, 1, 2000),
    "autostart": ("flag", True, 0, 0),
    "buses": ("list", (), 0, 2),
    "muxes": ("list", (), 0, 8),
    "columns": ("list", _REQUIRED, 1, _COLUMNS),
    "throttle": ("section", None, 0, 0),
    "alarm": ("section", None, 0, 0),
    "throttle2": ("section", None, 0, 0),
    "pack": ("section", None, 0, 0),
    "pack2": ("section", None, 0, 0),
    "accelerometer": ("section", None, 0, 0),
    "store": ("section", None, 0, 0),
    "links": ("list", (), 0, 3),
    "heartbeat_pin": ("number", None, 0, 29),
    "note": ("text", "", 0, 0),
}
_BUS = {
    "bus": ("number", _REQUIRED, 0, 1),
    "sda_pin": _PIN,
    "scl_pin": _PIN,
    "freq_khz": ("number", 400, 10, 1000),
    "note": ("text", "", 0, 0),
}
_MUX = {
    "bus": ("number", _REQUIRED, 0, 1),
    "address": ("address", _REQUIRED, 0x70, 0x77),
    "reset_pin": ("number", None, 0, 29),
    "note": ("text", "", 0, 0),
}
_COLUMN = {
    "part": ("text", _REQUIRED, 0, 0),
    "range": ("text", "", 0, 0),
    "bus": ("number", None, 0, 1),
    "address": ("address", None, 0x08, 0x7F),
    "mux": ("channel", None, 0x70, 0x77),
    "adc_pin": ("number", None, 26, 29),
    "port": ("choice", "low", "low", "high"),
    "note": ("text", "", 0, 0),
}
_THROTTLE = {
    "pin": _PIN,
    "direction": ("choice", "input", "input", "output"),
    "reader": ("choice", "pio", "pio", "irq"),
    "shortest_us": ("number", 800, 50, 5000),
    "longest_us": ("number", 2200, 50, 5000),
    "idle_us": ("number", 1000, 50, 5000),
    "throttle_max_us": ("number", 1500, 50, 5000),
    "frame_hz": ("number", 50, 20, 490),
    "note": ("text", "", 0, 0),
}
_THROTTLE2 = {key: _THROTTLE[key] for key in ("pin", "reader", "shortest_us", "longest_us", "note")}
_ALARM = {
    "led_pin": ("number", None, 0, 29),
    "buzzer_pin": ("number", None, 0, 29),
    "alarm_pa": ("number", _REQUIRED, 1, 100000),
    "alarm_drop_pa": ("number", _REQUIRED, 1, 100000),
    "hysteresis_pa": ("number", 100, 0, 100000),
    "throttle_up_us": ("number", 1200, 50, 5000),
    "spin_up_ms": ("number", 1500, 0, 60000),
    "hold_ms": ("number", 500, 0, 60000),
    "note": ("text", "", 0, 0),
}
_PACK = {
    "adc_pin": ("number", _REQUIRED, 26, 29),
    "divider": ("ratio", _REQUIRED, 1, 100),
    "correction": ("ratio", 1, 0.8, 1.25),
    "note": ("text", "", 0, 0),
}
_AXES = ("+x", "-x", "+y", "-y", "+z", "-z")
_ACCELEROMETER = {
    "part": ("one of", _REQUIRED, ("LIS3DH",), 0),
    "bus": ("number", _REQUIRED, 0, 1),
    "address": ("address", 0x18, 0x18, 0x19),
    "range": ("one of", "8g", ("2g", "4g", "8g", "16g"), 0),
    "odr_hz": ("one of", 400, (100, 200, 400, 1344), 0),
    "forward": ("one of", "+x", _AXES, 0),
    "up": ("one of", "+z", _AXES, 0),
    "note": ("text", "", 0, 0),
}
_STORE = {
    "at_boot": ("flag", False, 0, 0),
    "where": ("choice", "memory", "memory", "flash"),
    "sectors": ("number", 128, 2, 250),
    "note": ("text", "", 0, 0),
}
_LINK = {
    "kind": ("choice", _REQUIRED, "uart", "wifi"),
    "uart": ("number", None, 0, 1),
    "tx_pin": ("number", None, 0, 29),
    "rx_pin": ("number", None, 0, 29),
    "baud": ("number", 115200, 9600, 921600),
    "network": ("choice", "join", "join", "own"),
    "name": ("text", None, 0, 0),
    "password": ("secret", None, 8, 63),
    "port": ("number", 7660, 1024, 65535),
    "allow": ("list", (), 0, 7),
    "note": ("text", "", 0, 0),
}
_SECTIONS = {
    "throttle": _THROTTLE,
    "throttle2": _THROTTLE2,
    "alarm": _ALARM,
    "pack": _PACK,
    "pack2": _PACK,
    "accelerometer": _ACCELEROMETER,
    "store": _STORE,
}
_LISTS = {"buses": _BUS, "muxes": _MUX, "columns": _COLUMN, "links": _LINK}


def read_board(path):
    """Read and check a board description.

    Gives (board, faults): a dict with every key filled in, addresses as integers, and a list of
    sentences; with any of them the board must not be used.
    """
    faults = []
    try:
        with open(path) as file:
            text = file.read(_SIZE_LIMIT + 1)
    except OSError:
        return None, ["{} is missing: copy one to the board".format(path)]
    except ValueError:
        return None, ["{} is no UTF-8 text".format(path)]
    if len(text) > _SIZE_LIMIT:
        return None, ["{} is longer than {} characters".format(path, _SIZE_LIMIT)]
    try:
        raw = json.loads(text[1:] if text[:1] == "\ufeff" else text)  # a mark that some editors put in front
    except (ValueError, RuntimeError, MemoryError):
        return None, ["{} is no JSON: look for a missing comma, quote or bracket".format(path)]
    board = _section(raw, _TOP, "board", faults)
    if board is None or faults:
        return board, faults
    for key, table in _LISTS.items():
        board[key] = [
            _section(item, table, "{}[{}]".format(key, i), faults, key == "columns")
            for i, item in enumerate(board[key])
        ]
    for key, table in _SECTIONS.items():
        if board[key] is not None:
            board[key] = _section(board[key], table, key, faults)
    return board, faults or wiring_faults(board)


def _section(raw, table, where, faults, open_ended=False):
    if not isinstance(raw, dict):
        faults.append("{} must be a {{...}} of keys and values".format(where))
        return None
    out = {}
    for key in raw:
        if key in table:
            continue
        if open_ended:
            out[key] = raw[key]  # a key of the part: its driver judges it
        else:
            faults.append("{}: unknown key '{}', known: {}".format(where, key, ", ".join(sorted(table))))
    for key in table:
        kind, default, low, high = table[key]
        if key not in raw or raw[key] is None:
            if default is _REQUIRED:
                faults.append("{}: '{}' is missing".format(where, key))
            out[key] = default
            continue
        value, wanted = _value(raw[key], kind, low, high)
        if wanted:
            shown = str(raw[key])[:40] if kind != "secret" else "not shown here"
            if isinstance(raw[key], str) and kind in ("number", "ratio", "flag", "list"):
                shown = "the text '{}'".format(shown)
            faults.append("{}: '{}' is {}, must be {}".format(where, key, shown, wanted))
        out[key] = value
    return out


def _value(value, kind, low, high):
    """The value, and what it must be where it is not."""
    if kind == "number":
        good = isinstance(value, int) and not isinstance(value, bool) and low <= value <= high
        return value, None if good else "a whole number from {} to {}".format(low, high)
    if kind == "ratio":
        good = isinstance(value, (int, float)) and not isinstance(value, bool) and low <= value <= high
        return value, None if good else "a number from {} to {}".format(low, high)
    if kind == "address":
        return _address(value, low, high)
    if kind == "channel":
        return _channel(value, low, high)
    if kind == "choice":
        return value, None if value in (low, high) else "'{}' or '{}'".format(low, high)
    if kind == "one of":
        good = isinstance(value, type(low[0])) and not isinstance(value, bool) and value in low
        return value, None if good else "one of " + ", ".join([str(item) for item in low])
    if kind == "flag":
        return value, None if isinstance(value, bool) else "true or false"
    if kind == "list":
        good = isinstance(value, list) and low <= len(value) <= high
        return value, None if good else "a list of {} to {}".format(low, high)
    if kind == "section":
        return value, None
    if kind == "secret":
        # IEEE 802.11: a pass phrase is 8 to 63 printable characters.
        good = isinstance(value, str) and low <= len(value) <= high and all(" " <= c <= "~" for c in value)
        return value, None if good else "a text of {} to {} plain characters".format(low, high)
    good = isinstance(value, str) and len(value) <= _TEXT and all(" " <= c <= "~" for c in value)
    return value, None if good else "a text of at most {} plain characters".format(_TEXT)


def _channel(value, low, high):
    """A multiplexer's address and one of its channels."""
    if isinstance(value, list) and len(value) == 2:
        address, wanted = _address(value[0], low, high)
        number = value[1]
        if not wanted and isinstance(number, int) and not isinstance(number, bool) and 0 <= number <= 7:
            return [address, number], None
    return None, '["0x{:02x}" to "0x{:02x}", channel 0 to 7]'.format(low, high)


def _address(value, low, high):
    wanted = 'an address from "0x{:02x}" to "0x{:02x}"'.format(low, high)
    if isinstance(value, str):
        try:
            value = int(value, 16)
        except ValueError:
            return None, wanted
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        return None, wanted
    return value, None
