"""Firmware of the suction logger: sensors on a bus, rows on a wire."""

__all__ = ["VERSION"]

VERSION = "0.2.0"
