"""Pressure sensors: one file a part family, one contract.

A driver is a class built as ``Driver(bus, address, options)``:

``bus``
    A ``machine.I2C``, or a channel of a multiplexer with the same ``readfrom_into`` and
    ``writeto``. For a part on the ADC the ``machine.ADC`` of its pin.
``address``
    7-bit address; for a part on the ADC its pin.
``options``
    What board.json says of the column beyond place and port: ``part``, ``range`` and the keys
    of that part. A wrong one raises ValueError with a sentence for the user (``known`` below).

and has

``probe()``
    Called once at start, may take up to 100 ms. Gives None when the part answers as it
    should, or a sentence saying what is wrong. Never raises OSError.
``start()``
    Sets the part going; also called to bring it back after a failure, so at most 2 ms, and
    OSError may come out. Gives the milliseconds until a reading can be expected (0: now).
``read_into(counts, index)``
    One bus transaction (a triggered part: fetch the last result, trigger the next), no
    allocation, no wait. Writes the part's own integer to ``counts[index]`` (``array('i')``)
    and gives one of the codes below. OSError of the bus comes out as it is: the sampler
    counts and handles it.
``describe()``
    ``{"part": name, "range": code, "scale": {...}}``, scale as in the wire's ``device`` note:
    ``zero``, ``pa_per_count``, ``min``, ``max``, or ``kind`` and coefficients. A part that the
    host must compensate adds ``alarm_scale``, the straight line with the same four keys that
    the alarm may use in its place.

and the attributes

``want_temperature``
    Set True by the sampler once a second: the next reading also brings the temperature.
``temperature_centi``
    Hundredths of a degree Celsius, or None.
``second_word``
    None, or (a part the host must compensate) its last second word, for the status note.
"""

__all__ = [
    "CRC",
    "NACK",
    "OK",
    "PART",
    "SATURATED",
    "STALE",
    "WAIT",
    "choice",
    "known",
    "open_sensor",
    "span_pa",
    "straight",
    "water_span_pa",
]

OK = 0
STALE = 1  # the part's last reading again
SATURATED = 2  # a count at the end of what the part can say
WAIT = 3  # no reading yet, and no fault: from here on the column stays empty
NACK = 4  # did not answer
CRC = 5  # its check does not fit
PART = 6  # the part itself reports a fault

_FAMILIES = {
    "HSC": "hsc",
    "SSC": "hsc",
    "SDP3x": "sdp",
    "SDP8xx": "sdp",
    "ABP2": "abp2",
    "MS4525DO": "ms4525do",
    "MS5525DSO": "ms5525dso",
    "DLH": "dlh",
    "DLHR": "dlh",
    "DLVR": "dlvr",
    "MPXV7002DP": "mpxv7002",
}

# Pa in one unit of a range code; inch of water at 4 degC and psi by their usual definitions.
_UNITS_PA = {"M": 100.0, "B": 100000.0, "K": 1000.0, "N": 249.089, "P": 6894.757}


def open_sensor(bus, address, options):
    """Make the driver of the part that board.json names."""
    part = options["part"]
    if part not in _FAMILIES:
        raise ValueError("unknown part '{}', known: {}".format(part, ", ".join(sorted(_FAMILIES))))
    name = "undertray.sensors." + _FAMILIES[part]
    module = __import__(name, None, None, ("Driver",))
    return module.Driver(bus, address, options)


def known(options, keys):
    """Refuse a key that this part does not have: a slip of the pen must not pass in silence."""
    for key in options:
        if key not in ("part", "range") and key not in keys:
            raise ValueError("key '{}' is unknown for {}".format(key, options["part"]))


def span_pa(code):
    """Lowest and highest pressure of a range code such as 040MD, 010ND, 2.5KD or 001PD, in Pa."""
    try:
        unit = _UNITS_PA[code[-2]]
        size = float(code[:-2])
    except (IndexError, KeyError, ValueError, TypeError):
        raise ValueError("range '{}' is not like 040MD, 010ND, 2.5KD or 001PD".format(code))
    if code[-1] not in "DG" or not 0 < size < 1000:
        raise ValueError("range '{}': the last letter must be D or G".format(code))
    return (-size * unit if code[-1] == "D" else 0.0), size * unit


def choice(options, key, default, allowed):
    """The value of a key that has only a few."""
    value = options.get(key, default)
    if isinstance(value, bool) or not isinstance(value, (int, str)) or value not in allowed:
        names = ", ".join([str(item) for item in sorted(allowed)])
        raise ValueError("{} '{}' must be one of {}".format(key, value, names))
    return value


def water_span_pa(code):
    """Lowest and highest pressure of a range code in inches of water such as L10D, in Pa."""
    if not isinstance(code, str) or len(code) < 3 or code[0] != "L":
        raise ValueError("range '{}' is not like L10D".format(code))
    return span_pa(code[1:-1] + "N" + code[-1])


def straight(low, high, span):
    """The scale of a part with count ``low`` at the first pressure of ``span`` and ``high`` at the second."""
    low_pa, high_pa = span
    return {
        "zero": low - low_pa * (high - low) / (high_pa - low_pa),
        "pa_per_count": (high_pa - low_pa) / (high - low),
        "min": -int(-low // 1),
        "max": int(high // 1),
    }
