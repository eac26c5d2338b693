"""What one key of board.json alone does not show: pins and addresses that cannot work together."""

__all__ = ["GUARDED", "wiring_faults"]

# Commands that move fans, erase, or change settings: over links besides USB only where 'allow' names them.
GUARDED = ("rate", "store", "erase", "caution", "arm", "sweep", "beat")

_PINS = 30
_NUMBERS = 16  # in a row behind its flags: what the format has room for
_WIFI_PINS = (23, 24, 25, 29)  # Pico W data sheet, 2.1: they lead to its radio


def wiring_faults(board):
    """Sentences for the user, none when the wiring can work; ``board`` is checked key by key already."""
    faults = []
    _buses(board, faults)
    _columns(board, faults)
    _clashes(board, faults)
    _links(board, faults)
    _throttle(board, faults)
    _pins(board, faults)
    _channels(board, faults)
    return faults


def _buses(board, faults):
    numbers = []
    for i, bus in enumerate(board["buses"]):
        number = bus["bus"]
        if number in numbers:
            faults.append("buses[{}]: bus {} is listed twice".format(i, number))
        numbers.append(number)
        # RP2040 data sheet, table "GPIO functions": the function of a pin repeats every four.
        for key, place in (("sda_pin", 2 * number), ("scl_pin", 2 * number + 1)):
            if bus[key] % 4 != place:
                pins = ", ".join([str(pin) for pin in range(place, _PINS, 4)])
                faults.append(
                    "buses[{}]: {} {} is no pin of bus {}: {}".format(i, key, bus[key], number, pins)
                )
    places = []
    for i, mux in enumerate(board["muxes"]):
        if mux["bus"] not in numbers:
            faults.append("muxes[{}]: bus {} is not in 'buses'".format(i, mux["bus"]))
        place = (mux["bus"], mux["address"])
        if place in places:
            faults.append(
                "muxes[{}]: same address as muxes[{}]: set its A0 to A2".format(i, places.index(place))
            )
        places.append(place)


def _columns(board, faults):
    numbers = [bus["bus"] for bus in board["buses"]]
    muxes = [(mux["bus"], mux["address"]) for mux in board["muxes"]]
    for i, column in enumerate(board["columns"]):
        where = "columns[{}]".format(i)
        if column["adc_pin"] is not None:
            continue
        if column["address"] is None or column["bus"] is None:
            faults.append("{}: needs 'bus' and 'address' (or 'adc_pin')".format(where))
        elif column["bus"] not in numbers:
            faults.append("{}: bus {} is not in 'buses'".format(where, column["bus"]))
        elif column["mux"] is not None and (column["bus"], column["mux"][0]) not in muxes:
            faults.append("{}: its multiplexer is not in 'muxes'".format(where))


def _clashes(board, faults):
    """Two that answer to one address at the same time; only channels of multiplexers keep them apart."""
    seen = []
    for i, mux in enumerate(board["muxes"]):
        seen.append(("muxes[{}]".format(i), mux["bus"], mux["address"], None))
    if board["accelerometer"] is not None:
        part = board["accelerometer"]
        seen.append(("accelerometer", part["bus"], part["address"], None))
    for i, column in enumerate(board["columns"]):
        if column["adc_pin"] is not None or column["address"] is None:
            continue
        where = "columns[{}]".format(i)
        here = column["mux"]
        for name, bus, address, there in seen:
            if bus != column["bus"] or address != column["address"]:
                continue
            if here == there:
                faults.append("{}: same place on the bus as {}".format(where, name))
            elif here is None or there is None:
                faults.append(
                    "{}: its address 0x{:02x} is also that of {}, and nothing keeps them apart: "
                    "another address, or each on its own channel".format(where, address, name)
                )
        seen.append((where, column["bus"], column["address"], here))


def _links(board, faults):
    seen = []
    for i, link in enumerate(board["links"]):
        where = "links[{}]".format(i)
        wifi = link["kind"] == "wifi"
        for key, needed in (
            ("name", wifi),
            ("password", wifi),
            ("uart", not wifi),
            ("tx_pin", not wifi),
            ("rx_pin", not wifi),
        ):
            if needed and link[key] is None:
                faults.append("{}: a {} link needs '{}'".format(where, link["kind"], key))
            elif not needed and link[key] is not None:
                faults.append("{}: '{}' is not for a {} link".format(where, key, link["kind"]))
        for word in link["allow"]:
            if word not in GUARDED:
                faults.append(
                    "{}: 'allow' has {}, can have: {}".format(where, str(word)[:40], ", ".join(GUARDED))
                )
        place = "wifi" if wifi else link["uart"]
        if place in seen and place is not None:
            faults.append("{}: {} is listed twice".format(where, place if wifi else "uart {}".format(place)))
        seen.append(place)
        if wifi or link["uart"] is None:
            continue
        # RP2040 data sheet, table "GPIO functions": UART 0 has 0, 12, 16, 28 to send, UART 1 4, 8, 20, 24.
        for key, behind in (("tx_pin", 0), ("rx_pin", 1)):
            fit = [pin for pin in range(behind, _PINS, 4) if (pin + 4) // 8 % 2 == link["uart"]]
            if link[key] is not None and link[key] not in fit:
                pins = ", ".join([str(pin) for pin in fit])
                faults.append(
                    "{}: {} {} is no pin of uart {}: {}".format(where, key, link[key], link["uart"], pins)
                )


def _throttle(board, faults):
    """Widths that no pulse can have, to be read or to be sent."""
    for key in ("throttle", "throttle2"):
        part = board[key]
        if part is not None and part["shortest_us"] >= part["longest_us"]:
            faults.append(
                "{}: shortest_us {} is not below longest_us {}".format(
                    key, part["shortest_us"], part["longest_us"]
                )
            )
    part = board["throttle"]
    if part is None or part["direction"] == "input":
        return
    if part["idle_us"] >= part["throttle_max_us"]:
        faults.append(
            "throttle: idle_us {} is not below throttle_max_us {}".format(
                part["idle_us"], part["throttle_max_us"]
            )
        )
    frame_us = 1000000 // part["frame_hz"]
    if part["throttle_max_us"] >= frame_us:
        faults.append(
            "throttle: throttle_max_us {} does not fit into the {} us of a frame at frame_hz {}".format(
                part["throttle_max_us"], frame_us, part["frame_hz"]
            )
        )


def _pins(board, faults):
    """No pin may have two tasks."""
    taken = {}
    if any([link["kind"] == "wifi" for link in board["links"]]):
        taken = {pin: "the radio of a board with Wi-Fi" for pin in _WIFI_PINS}
    named = [("board", {"heartbeat_pin": board["heartbeat_pin"]})]
    named += [(key, board[key]) for key in ("alarm", "throttle", "throttle2", "pack", "pack2")]
    for key in ("buses", "muxes", "columns", "links"):
        named += [("{}[{}]".format(key, i), section) for i, section in enumerate(board[key])]
    for name, section in named:
        for key in sorted(section or ()):
            pin = section[key]
            if not (key == "pin" or key.endswith("_pin")) or not isinstance(pin, int):
                continue
            if pin in taken:
                faults.append("pin {} is taken twice: {} and {} {}".format(pin, taken[pin], name, key))
            taken[pin] = "{} {}".format(name, key)


def _channels(board, faults):
    """What a row has besides the columns."""
    for key in ("throttle", "pack"):
        if board[key + "2"] is not None and board[key] is None:
            faults.append("{}2: is for a second fan, and there is no '{}'".format(key, key))
    part = board["accelerometer"]
    if part is not None:
        if part["bus"] not in [bus["bus"] for bus in board["buses"]]:
            faults.append("accelerometer: bus {} is not in 'buses'".format(part["bus"]))
        if part["forward"][1] == part["up"][1]:
            faults.append("accelerometer: 'forward' and 'up' are the same axis")
    more = 3 * (part is not None) + sum([board[key] is not None for key in ("throttle2", "pack2")])
    if len(board["columns"]) + more > _NUMBERS:
        faults.append(
            "a row has room for {} numbers: {} columns leave none for {} more".format(
                _NUMBERS, len(board["columns"]), more
            )
        )
