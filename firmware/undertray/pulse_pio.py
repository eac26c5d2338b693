# ruff: noqa: F821
# mypy: disable-error-code="name-defined"
# (The words of the program are the assembler's, put in place by the decorator.)
"""Width of a servo pulse by PIO: two instructions a count, so 2 MHz count microseconds."""

import rp2

__all__ = ["CLOCK_HZ", "pulse_width"]

CLOCK_HZ = 2_000_000


@rp2.asm_pio()
def pulse_width():
    wrap_target()
    wait(0, pin, 0)
    wait(1, pin, 0)
    mov(x, invert(null))
    label("high")
    jmp(x_dec, "look")
    label("look")
    jmp(pin, "high")
    # x counted down from all ones: its complement counts up from zero and stays a small integer.
    mov(isr, invert(x))
    push(noblock)
    wrap()
